"""``event.toml``: which loop idles, and which scene each trigger plays.

::

    idle = "idle"

    [triggers.beam]          # an input of the figure
    plays = "greet"
    every = 6                # every sixth time ...
    every_plays = "storm"    # ... this one instead
    cooldown_s = 5.0         # deaf for this long after an accepted trigger

Several loops idle shuffled, ``idle_turns`` turns each; a trigger with several scenes chooses; a duty limit
rests the machine::

    idle = ["idle", "doze"]
    idle_turns = 3
    seed = 0                 # the same evening again; 0: each boot another one

    [triggers.beam]
    plays = ["greet", "wave"]
    choice = "weighted"      # or "order", or "shuffle": each once before one comes again
    weights = [3, 1]

    [duty]
    play_at_most_s = 240     # once so much was played ...
    within_s = 600           # ... in such a time ...
    rest_s = 120             # ... triggers count for nothing, and cues are told busy, for so long
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from sequencer.errors import Fault, SceneError

#: A list has at most this many scenes (as in the image).
LONGEST_LIST = 8


Choice = Literal["order", "shuffle", "weighted"]


@dataclass(frozen=True)
class Trigger:
    """What one input plays; ``every`` 0 means that ``every_plays`` never comes.

    ``also`` are further scenes beside ``plays``: one after the other, shuffled (each once before one comes
    again), or by chance with ``weights``, one a scene.
    """

    plays: str
    every: int = 0
    every_plays: str | None = None
    cooldown_s: float = 0.0
    also: tuple[str, ...] = ()
    choice: Choice = "shuffle"
    weights: tuple[int, ...] = ()

    @property
    def scenes(self) -> tuple[str, ...]:
        """All that it may play, ``every_plays`` apart."""
        return (self.plays, *self.also)

    def only(self, scenes: Collection[str]) -> Trigger | None:
        """The same for a show of these scenes alone; None when nothing is left."""
        kept = [name in scenes for name in self.scenes]
        names = [name for name, keep in zip(self.scenes, kept, strict=True) if keep]
        if not names:
            return None
        again = self.every_plays in scenes
        weights = tuple(weight for weight, keep in zip(self.weights, kept, strict=False) if keep)
        return replace(
            self,
            plays=names[0],
            also=tuple(names[1:]),
            weights=weights,
            every=self.every if again else 0,
            every_plays=self.every_plays if again else None,
        )


@dataclass(frozen=True)
class Duty:
    """Once ``play_at_most_s`` of ``within_s`` were played, nothing is played for ``rest_s``."""

    play_at_most_s: int
    within_s: int
    rest_s: int


@dataclass(frozen=True)
class Policy:
    """What plays when. ``idle`` is the name of the loop played between scenes, or None.

    ``also_idle`` are further loops: each has ``idle_turns`` turns, and they follow each other shuffled.
    ``seed`` fixes what comes by chance; 0: the board's boots are counted, and each differs.
    """

    idle: str | None = None
    triggers: Mapping[str, Trigger] = field(default_factory=dict)
    also_idle: tuple[str, ...] = ()
    idle_turns: int = 3
    seed: int = 0
    duty: Duty | None = None

    @property
    def idles(self) -> tuple[str, ...]:
        """Every loop that idles."""
        return () if self.idle is None else (self.idle, *self.also_idle)

    def only(self, scenes: Collection[str]) -> Policy:
        """The same policy for a show of these scenes alone; what plays another scene is left out."""
        idles = [name for name in self.idles if name in scenes]
        kept = {name: trigger.only(scenes) for name, trigger in self.triggers.items()}
        return replace(
            self,
            idle=idles[0] if idles else None,
            also_idle=tuple(idles[1:]),
            triggers={name: trigger for name, trigger in kept.items() if trigger is not None},
        )


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
    from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

    # One name may stand for a list of one.
    names = Annotated[
        list[str],
        Field(min_length=1, max_length=LONGEST_LIST),
        BeforeValidator(lambda value: [value] if isinstance(value, str) else value),
    ]

    class _Trigger(BaseModel):
        model_config = ConfigDict(extra="forbid", strict=True)
        plays: names
        choice: Choice = "shuffle"
        weights: list[Annotated[int, Field(ge=1, le=255)]] | None = None
        every: Annotated[int, Field(ge=2, le=255)] | None = None
        every_plays: str | None = None
        cooldown_s: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 0.0

    class _Duty(BaseModel):
        model_config = ConfigDict(extra="forbid", strict=True)
        play_at_most_s: Annotated[int, Field(ge=5, le=1700)]
        within_s: Annotated[int, Field(ge=10, le=1700)]
        rest_s: Annotated[int, Field(ge=1, le=36000)]

    class _Event(BaseModel):
        model_config = ConfigDict(extra="forbid", strict=True)
        idle: names | None = None
        idle_turns: Annotated[int, Field(ge=1, le=255)] = 3
        seed: Annotated[int, Field(ge=0, le=65535)] = 0
        triggers: dict[str, _Trigger] = {}
        duty: _Duty | None = None

    try:
        event = _Event.model_validate(data)
    except ValidationError as error:
        report.from_pydantic((), error.errors(), _Event)
        return None
    triggers = {}
    for name, trigger in event.triggers.items():
        if (trigger.every is None) != (trigger.every_plays is None):
            report.add(
                ("triggers", name),
                "`every` and `every_plays` go together",
                remedy='write both, like every = 6 and every_plays = "storm", or neither',
            )
        first, *others = trigger.plays
        weighted = trigger.weights if trigger.choice == "weighted" else None
        if (trigger.choice == "weighted") != (trigger.weights is not None) or (
            weighted is not None and len(weighted) != 1 + len(others)
        ):
            report.add(
                ("triggers", name),
                '`weights` and choice = "weighted" go together, with one weight a scene',
                remedy='write for example plays = ["greet", "wave"], choice = "weighted", weights = [3, 1]',
            )
        triggers[name] = Trigger(
            *(first, trigger.every or 0, trigger.every_plays, trigger.cooldown_s),
            *(tuple(others), trigger.choice, tuple(trigger.weights or ())),
        )
    duty = event.duty
    if duty is not None and duty.play_at_most_s > duty.within_s:
        report.add(
            ("duty", "play_at_most_s"),
            "more is allowed than the time has",
            value=f"{duty.play_at_most_s} s",
            limit=f"{duty.within_s} s, from within_s",
            remedy="make play_at_most_s smaller than within_s",
        )
    idles = event.idle or []
    return Policy(
        idles[0] if idles else None,
        triggers,
        tuple(idles[1:]),
        event.idle_turns,
        event.seed,
        None if duty is None else Duty(duty.play_at_most_s, duty.within_s, duty.rest_s),
    )


def _cross_check(policy: Policy, scenes: Mapping[str, bool], inputs: Collection[str], report: Any) -> None:
    for idle in policy.idles:
        if idle not in scenes:
            report.unknown_name(("idle",), "scene", idle, sorted(scenes))
        elif not scenes[idle]:
            report.add(
                ("idle",),
                f"`{idle}` is not a loop, and only a loop can idle",
                value=idle,
                remedy=f"make {idle}.scene a `loop`, or name a scene that is one",
            )
    for name, trigger in policy.triggers.items():
        if name not in inputs:
            report.unknown_name(("triggers", name), "trigger input", name, sorted(inputs))
        named = [("plays", scene) for scene in trigger.scenes] + [("every_plays", trigger.every_plays)]
        for key, scene in named:
            if scene is not None and scene not in scenes:
                report.unknown_name(("triggers", name, key), "scene", scene, sorted(scenes))
