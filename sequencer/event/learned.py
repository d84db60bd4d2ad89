"""``guard.toml``: what each scene was seen to draw, slice by slice, written by ``trigger SCENE --learn``.

::

    [scenes.greet]
    motion = "1a2b3c4d"             # of which motion it was learned
    slice_frames = 32
    peak_a = { rail = [0.12, 0.64, 0.61, 0.2] }   # -1: not seen
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from sequencer.errors import Fault, SceneError
from sequencer.files import replace_file

FILE = "guard.toml"


@dataclass(frozen=True)
class LearnedScene:
    """The largest current of each sensor in each slice of a scene, amperes; -1 where it was not seen."""

    motion: str
    slice_frames: int
    peak_a: Mapping[str, tuple[float, ...]]


def read_learned(folder: Path) -> dict[str, LearnedScene]:
    """By scene; empty without the file.

    Raises:
        SceneError: the file is not what :func:`write_learned` writes.
    """
    file = folder / FILE
    if not file.exists():
        return {}
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        found = {}
        for name, table in data.get("scenes", {}).items():
            peaks = {
                str(sensor): tuple(float(value) for value in values)
                for sensor, values in table["peak_a"].items()
            }
            found[str(name)] = LearnedScene(str(table["motion"]), int(table["slice_frames"]), peaks)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise SceneError(
            Fault(
                f"cannot be read: {type(error).__name__} {error}",
                str(file),
                remedy="delete it, and learn the scenes again: quarterjack trigger SCENE --learn",
            )
        ) from None
    return found


def write_learned(folder: Path, scenes: Mapping[str, LearnedScene]) -> Path:
    """Write the file anew, all scenes. Raises UsageError when it cannot be written."""
    lines = [
        "# What each scene was seen to draw, in amperes: written by `quarterjack trigger SCENE --learn`.",
        "",
    ]
    for name, scene in sorted(scenes.items()):
        lines += [
            f"[scenes.{name}]",
            f'motion = "{scene.motion}"',
            f"slice_frames = {scene.slice_frames}",
            *(
                f"peak_a.{sensor} = [{', '.join(f'{v:g}' for v in row)}]"
                for sensor, row in scene.peak_a.items()
            ),
            "",
        ]
    file = folder / FILE
    replace_file(file, "\n".join(lines).encode())
    return file
