from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from sequencer.figure.model import Axis, Board, DirectDrive, Figure, Lamp, Limits, Supply, Switch
from sequencer.timeline.build import build_timeline
from sequencer.timeline.model import Timeline
from sequencer.timeline.parse import parse_scene_text

AXES = {
    "turn": (-70, 70, ("right", "left")),
    "nod": (-25, 25, ("down", "up")),
    "tilt": (-20, 20, ("left", "right")),
    "jaw": (0, 22, ("shut", "open")),
}


def _axis(name: str) -> Axis:
    low, high, words = AXES[name]
    return Axis(
        name=name,
        range_rad=(math.radians(low), math.radians(high)),
        home_rad=0.0,
        parked_rad=0.0,
        words=words,
        drive=DirectDrive(name),
        direction=(0, 0, 1),
        pivot_m=(0, 0, 0),
        carried_by=None,
        friction_n_m=0.0,
        friction_basis="guess",
        ramp_s=None,
        knot_frames=None,
    )


@pytest.fixture(scope="session")
def figure() -> Figure:
    return Figure(
        "keeper",
        {},
        {name: _axis(name) for name in AXES},
        {},
        {name: Lamp(name, 5, 0.35, False, 0.02) for name in ("left_eye", "right_eye")},
        {"bell": Switch("bell", 12, 0.05, 0.15, 2.0, False)},
        {},
        Supply(6, 5),
        Board("uno", clock_error=0.0),
        25.0,
        {"watch": {"turn": math.radians(20), "nod": math.radians(-6)}},
    )


@pytest.fixture(scope="session")
def limits() -> dict[str, Limits]:
    each = Limits(math.radians(200), math.radians(1500), math.radians(20000), {})
    return dict.fromkeys(AXES, each)


Build = Callable[..., Timeline]


@pytest.fixture(scope="session")
def build(figure: Figure, limits: Mapping[str, Limits]) -> Build:
    """Timeline of the given cue lines, at the full limits unless a share is given."""

    def run(*lines: str, share: float = 1.0, idles: bool = False) -> Timeline:
        text = "\n".join(("scene test", *lines)) + "\n"
        return build_timeline(parse_scene_text(text, "test.scene"), figure, limits, share, idles=idles)

    return run


@pytest.fixture
def build_in(tmp_path: Path, figure: Figure, limits: Mapping[str, Limits]) -> Build:
    """Timeline of the given lines in a folder that holds the given files."""

    def run(files: Mapping[str, str], *lines: str, share: float = 1.0) -> Timeline:
        for name, text in files.items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        text = "\n".join(("scene test", *lines)) + "\n"
        return build_timeline(parse_scene_text(text, str(tmp_path / "test.scene")), figure, limits, share)

    return run
