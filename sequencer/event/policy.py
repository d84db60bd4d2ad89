"""``event.toml``: which loop idles, and which scene each trigger plays.

::

    idle = "idle"

    [triggers.beam]          # an input of the figure
    plays = "greet"
    every = 6                # every sixth time ...
    every_plays = "storm"    # ... this one instead
    cooldown_s = 5.0         # deaf for this long after an accepted trigger
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from sequencer.errors import Fault, SceneError


@dataclass(frozen=True)
class Trigger:
    """What one input plays; ``every`` 0 means that ``every_plays`` never comes."""

    plays: str
    every: int = 0
    every_plays: str | None = None
    cooldown_s: float = 0.0


@dataclass(frozen=True)
class Policy:
    """What plays when. ``idle`` is the name of the loop played between scenes, or None."""

    idle: str | None = None
    triggers: Mapping[str, Trigger] = field(default_factory=dict)

    def only(self, scenes: Collection[str]) -> Policy:
        """The same policy for a show of these scenes alone; what plays another scene is left out."""
        kept = {}
        for name, trigger in self.triggers.items():
            if trigger.plays in scenes:
                again = trigger.every_plays in scenes
                every, every_plays = (trigger.every, trigger.every_plays) if again else (0, None)
                kept[name] = Trigger(trigger.plays, every, every_plays, trigger.cooldown_s)
        return Policy(self.idle if self.idle in scenes else None, kept)


def read_policy(file: Path, scenes: Mapping[str, bool], inputs: Collection[str]) -> Policy:
    """Read ``event.toml``; without the file nothing idles and no trigger plays anything.

    ``scenes`` maps each scene's name to whether it loops; ``inputs`` are the figure's trigger inputs.

    Raises:
        SceneError: every fault of the file at once, each with its line.
    """
    if not file.exists():
        return Policy()
    from sequencer.figure.explain import Reporter
    from sequencer.figure.toml_lines import places

    try:
        text = file.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise SceneError(
            Fault("is not UTF-8 text", str(file), value=f"byte {error.start}", remedy="save it as UTF-8")
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise SceneError(
            Fault(f"is not TOML: {error}", str(file), remedy="put texts in quotes, one `key = value` a line")
        ) from None
    report = Reporter(str(file), text, places(text))
    policy = _validated(data, report)
    if policy is not None:
        _cross_check(policy, scenes, inputs, report)
    if report.faults or policy is None:
        raise SceneError.from_faults(report.faults)
    return policy


def _validated(data: dict[str, Any], report: Any) -> Policy | None:
    # pydantic lives at the file's border only, and is imported only when a file is read.
    from pydantic import BaseModel, ConfigDict, Field, ValidationError

    class _Trigger(BaseModel):
        model_config = ConfigDict(extra="forbid", strict=True)
        plays: str
        every: Annotated[int, Field(ge=2, le=255)] | None = None
        every_plays: str | None = None
        cooldown_s: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 0.0

    class _Event(BaseModel):
        model_config = ConfigDict(extra="forbid", strict=True)
        idle: str | None = None
        triggers: dict[str, _Trigger] = {}

    try:
        event = _Event.model_validate(data)
    except ValidationError as error:
        report.from_pydantic((), error.errors(), _Event)
        return None
    for name, trigger in event.triggers.items():
        if (trigger.every is None) != (trigger.every_plays is None):
            report.add(
                ("triggers", name),
                "`every` and `every_plays` go together",
                remedy='write both, like every = 6 and every_plays = "storm", or neither',
            )
    return Policy(
        event.idle,
        {
            name: Trigger(trigger.plays, trigger.every or 0, trigger.every_plays, trigger.cooldown_s)
            for name, trigger in event.triggers.items()
        },
    )


def _cross_check(policy: Policy, scenes: Mapping[str, bool], inputs: Collection[str], report: Any) -> None:
    if policy.idle is not None:
        if policy.idle not in scenes:
            report.unknown_name(("idle",), "scene", policy.idle, sorted(scenes))
        elif not scenes[policy.idle]:
            report.add(
                ("idle",),
                f"`{policy.idle}` is not a loop, and only a loop can idle",
                value=policy.idle,
                remedy=f"make {policy.idle}.scene a `loop`, or name a scene that is one",
            )
    for name, trigger in policy.triggers.items():
        if name not in inputs:
            report.unknown_name(("triggers", name), "trigger input", name, sorted(inputs))
        for key, scene in (("plays", trigger.plays), ("every_plays", trigger.every_plays)):
            if scene is not None and scene not in scenes:
                report.unknown_name(("triggers", name, key), "scene", scene, sorted(scenes))
