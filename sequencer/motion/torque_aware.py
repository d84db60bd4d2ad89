"""Planning a scene with what its servos can really give, instead of constant limits.

Constant limits promise what is left at the worst pose, at top speed and while accelerating, all at once.
Here the motion that they allow is only the first pass: rows from the torque-speed line, linearised about
it, bound the next, and so on until the true line is kept (successive linearisation; Nocedal and Wright,
*Numerical Optimization*, chapter 18). What comes out is looked at every millisecond. A linkage
that does not get there keeps its constant limits, and says why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sequencer.errors import PlanError
from sequencer.motion.linked import Linkage
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.motion.problem import SpanRows
from sequencer.motion.spline import Floats
from sequencer.motion.torque_rows import (
    Line,
    Load,
    TrackMotion,
    overload,
    row_times,
    torque_rows,
    track_motion,
)
from sequencer.timeline.model import GRID_S

#: Passes about the last motion, at most.
PASSES = 4
#: A pass that betters the objective by less than this share is the last one needed.
SETTLED = 0.01
#: Beyond the line by less than this share of stall torque is arithmetic.
TOLERANCE = 1e-9
#: While rows are set up an axis slower than this share of its top speed may stand or turn round.
STILL_SHARE = 0.05
#: A played speed of up to this many LSB a knot is what rounding makes of standing still.
STILL_LSB = 2.0


class Loads(Protocol):
    """What the figure knows of torque; see :class:`sequencer.figure.track_load.FigureLoads`."""

    @property
    def linkages(self) -> tuple[Linkage, ...]:
        """Every linkage of the figure, direct ones too."""
        ...

    def load(self, linkage: Linkage, tracks: Mapping[str, tuple[Floats, Floats, Floats]]) -> Load:
        """The load of a linkage while every servo's track moves as told (angle, speed, acceleration)."""
        ...


@dataclass(frozen=True)
class Reverted:
    """Tracks that keep their constant limits in this scene, and why; ``time_s`` is where it showed."""

    tracks: tuple[str, ...]
    time_s: float
    reason: str


#: The motion of a linkage's tracks with further rows, within their outer bounds.
PlanWith = Callable[[Linkage, SpanRows], Sequence[TrackPlan]]


class _Scene:
    """The tracks of one scene while passes go on."""

    def __init__(
        self,
        loads: Loads,
        plans: Mapping[str, TrackPlan],
        clock_error: float,
        share: float,
    ) -> None:
        self.loads = loads
        self.by_servo = {plan.spec.servo: plan for plan in plans.values()}
        self.clock_error, self.share = clock_error, share

    def specs(self, linkage: Linkage) -> list[TrackSpec]:
        """Specs of the linkage's tracks, in the order of its servos."""
        return [self.by_servo[servo].spec for servo in linkage.servos]

    def at(self, linkage: Linkage, time_s: Floats) -> tuple[Load, TrackMotion]:
        """The linkage's load and motion at some moments."""
        moving = {
            servo: track_motion([plan.spec], [plan.points.astype(np.float64)], time_s)
            for servo, plan in self.by_servo.items()
        }
        columns = {
            servo: (move.angle[:, 0], move.speed[:, 0], move.acceleration[:, 0])
            for servo, move in moving.items()
        }
        own = [np.stack([columns[servo][order] for servo in linkage.servos], axis=1) for order in range(3)]
        return self.loads.load(linkage, columns), TrackMotion(own[0], own[1], own[2])

    def line(self, still_rad_s: float) -> Line:
        """The line that plans keep."""
        return Line(self.share, self.clock_error, still_rad_s)

    def rows(self, linkage: Linkage) -> SpanRows:
        """Rows about the present motion."""
        specs = self.specs(linkage)
        spans = len(self.by_servo[linkage.servos[0]].points) - 3
        load, motion = self.at(linkage, row_times(specs[0], spans))
        still = STILL_SHARE * float(load.no_load_rad_s.min())
        return torque_rows(specs, load, motion, self.line(still), self.share)

    def beyond(self, linkage: Linkage, time_s: Floats) -> tuple[float, float]:
        """(largest overload as a share of stall, when) of a linkage at these moments."""
        load, motion = self.at(linkage, time_s)
        still = min(STILL_LSB / abs(spec.value_per_rad) / spec.knot_s for spec in self.specs(linkage))
        over = np.nan_to_num(overload(load, motion, self.line(still)), nan=np.inf).max(axis=1)
        at = int(over.argmax())
        return float(over[at]), float(time_s[at])

    def row_moments(self, linkage: Linkage) -> Floats:
        """When rows stand."""
        spans = len(self.by_servo[linkage.servos[0]].points) - 3
        return row_times(self.specs(linkage)[0], spans)

    def take(self, plans: Iterable[TrackPlan]) -> None:
        """These are the present motion from now on."""
        self.by_servo.update({plan.spec.servo: plan for plan in plans})


def plan_torque_aware(
    loads: Loads,
    constant: Mapping[str, TrackPlan],
    aware: Sequence[Linkage],
    plan_with: PlanWith,
    clock_error: float,
    share: float,
) -> tuple[dict[str, TrackPlan], list[Reverted]]:
    """The plans of a scene with the linkages ``aware`` bounded by torque; the others as they are.

    ``constant`` are the certified plans within constant limits of every track, the first pass and what
    a linkage returns to. ``share`` of stall torque is planned with. Returns plans by track and those
    that were reverted.
    """
    scene = _Scene(loads, constant, clock_error, share)
    kept, reverted = list(aware), []

    def revert(linkage: Linkage, time_s: float, reason: str) -> None:
        tracks = tuple(spec.name for spec in scene.specs(linkage))
        scene.take(constant[name] for name in tracks)
        kept.remove(linkage)
        reverted.append(Reverted(tracks, time_s, reason))

    values: dict[tuple[str, ...], float] = {}
    for _ in range(PASSES):
        settled = True
        for linkage in list(kept):
            rows = scene.rows(linkage)
            if not (np.isfinite(rows.coefficients).all() and np.isfinite(rows.low + rows.high).all()):
                revert(linkage, 0.0, "the linkage comes to the end of its reach")
                continue
            try:
                plans = plan_with(linkage, rows)
            except PlanError as error:
                revert(linkage, 0.0, f"no motion keeps the torque ({error.faults[0].text})")
                continue
            scene.take(plans)
            before = values.get(linkage.servos, np.inf)
            values[linkage.servos] = plans[0].objective
            settled &= abs(before - plans[0].objective) <= SETTLED * before
        worst = [scene.beyond(linkage, scene.row_moments(linkage))[0] for linkage in kept]
        if settled and all(over <= TOLERANCE for over in worst):
            break
    duration_s = max((len(plan.points) - 3) * plan.spec.knot_s for plan in constant.values())
    grid = np.arange(round(duration_s / GRID_S)) * GRID_S
    # One that reverts moves otherwise, and with it what the others carry: all are looked at again.
    while kept:
        found = [(*scene.beyond(linkage, grid), linkage) for linkage in kept]
        over, time_s, linkage = max(found, key=lambda item: item[0])
        if over <= TOLERANCE:
            break
        revert(
            linkage,
            time_s,
            f"after {PASSES} passes it still needs {100.0 * over:.1f} % of stall torque too much",
        )
    by_track = {plan.spec.name: plan for plan in scene.by_servo.values()}
    return {name: by_track[name] for name in constant}, reverted
