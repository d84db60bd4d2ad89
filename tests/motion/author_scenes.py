"""A turning head and a jaw, without masses: scenes from text to what is played and told."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sequencer.figure.model import Axis, Board, DirectDrive, Figure, Limits, Supply, TrackMap
from sequencer.motion.misses import with_misses
from sequencer.motion.model import TrackPlan
from sequencer.motion.peak import on_grid
from sequencer.motion.scene import plan_scene
from sequencer.motion.spec import track_spec
from sequencer.timeline.build import build_timeline
from sequencer.timeline.model import Timeline
from sequencer.timeline.parse import parse_scene_text

RANGES = {"turn": (-70.0, 70.0, ("right", "left")), "jaw": (0.0, 22.0, ("shut", "open"))}
LIMITS = {"turn": (110.0, 350.0, 3500.0), "jaw": (220.0, 3500.0, 90000.0)}  # degrees and seconds


def limits_rad(name: str) -> Limits:
    return Limits(*(math.radians(each) for each in LIMITS[name]), {})


def figure() -> Figure:
    def axis(name: str) -> Axis:
        low, high, words = RANGES[name]
        drive = DirectDrive(name)
        place = ((0.0, 0.0, 1.0), (0.0, 0.0, 0.0), None, 0.0, "guess", None, None)
        return Axis(name, (math.radians(low), math.radians(high)), 0.0, 0.0, words, drive, *place)  # type: ignore[arg-type]

    axes = {name: axis(name) for name in RANGES}
    return Figure("head", {}, axes, {}, {}, {}, {}, Supply(6, 5), Board("uno", clock_error=0.01), 25.0, {})


def specs() -> dict:
    found = {}
    for name, (low, high, _) in RANGES.items():
        middle = (low + high) / 2
        ends = [1500.0 + (edge - middle) * 11.11 for edge in (low, high)]
        home = 1500.0 - middle * 11.11
        track = TrackMap(name, name, name, 7, home, math.degrees(11.11), *ends, home, home, 0.02)
        found[name] = track_spec(track, limits_rad(name))
    return found


@dataclass(frozen=True)
class Done:
    timeline: Timeline  # with what was missed
    plans: dict[str, TrackPlan]

    def deg(self, axis: str) -> np.ndarray:
        plan = self.plans[axis]
        return np.degrees(on_grid(plan.spec, plan.points, plan.loop))

    def told(self, code: str) -> list:
        return [item for item in self.timeline.shortfalls if item.code == code]


def done(*lines: str, folder: Path | None = None, idles: bool = False) -> Done:
    """The scene of these lines planned; its scores lie in ``folder``."""
    file = "test.scene" if folder is None else str(folder / "test.scene")
    machine = figure()
    scene = parse_scene_text("\n".join(("scene test", *lines)) + "\n", file)
    timeline = build_timeline(scene, machine, {name: limits_rad(name) for name in RANGES}, idles=idles)
    plans = plan_scene(timeline, specs())
    return Done(with_misses(timeline, machine.axes, plans, ()), plans)
