"""Planning a scene with what its servos can really give, instead of constant limits.

Constant limits promise what is left at the worst pose, at top speed and while accelerating, all at once.
Here the motion that they allow is only the first pass: rows from the torque-speed line, linearised about
it, bound the next, and so on until the true line is kept (successive linearisation; Nocedal and Wright,
*Numerical Optimization*, chapter 18). What comes out is looked at every millisecond. A linkage
that does not get there keeps its constant limits, and says why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from sequencer.errors import PlanError
from sequencer.figure.linkage import Linkage
from sequencer.figure.track_load import AxesMotion
from sequencer.motion.cache import PlanMemory
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.motion.problem import SpanRows
from sequencer.motion.scene import plan_linkage, plan_scene
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
from sequencer.motion.tracks import FigureTracks
from sequencer.timeline.model import GRID_S, PLAN_SHARE, Shortfall, Timeline

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

    def axes(self, tracks: Mapping[str, tuple[Floats, Floats, Floats]]) -> AxesMotion:
        """How all axes move while every servo's track has this angle, speed and acceleration."""
        ...

    def load(self, linkage: Linkage, axes: AxesMotion) -> Load:
        """The load of a linkage near this motion, the other axes moving just so."""
        ...


@dataclass(frozen=True)
class Reverted:
    """Tracks that keep their constant limits in this scene, and why.

    ``time_s`` is where it showed, ``needed_percent`` what was needed there of stall torque (0: not known).
    """

    tracks: tuple[str, ...]
    time_s: float
    reason: str
    needed_percent: float


#: The motion of a linkage's tracks with further rows, within their outer bounds; which pass it is.
PlanWith = Callable[[Linkage, SpanRows, int], Sequence[TrackPlan]]


def plan_scene_with_torque(
    timeline: Timeline,
    tracks: FigureTracks,
    loads: Loads,
    clock_error: float,
    share: float = PLAN_SHARE,
    memory: PlanMemory | None = None,
) -> tuple[dict[str, TrackPlan], list[Reverted]]:
    """Plans of every track for one scene, ``tracks.aware`` with torque; and what of it was reverted.

    A loop keeps constant limits, as transitions do: they are proven together, and it plays all night.
    Raises :class:`PlanError` as :func:`.scene.plan_scene`.
    """
    memory = PlanMemory() if memory is None else memory
    calm = {name: spec.calm for name, spec in tracks.specs.items()}
    told = plan_scene(timeline, calm, share, linkages=tracks.behind, pairs=tracks.pairs, memory=memory)
    constant = {name: replace(plan, spec=tracks.specs[name]) for name, plan in told.items()}
    if timeline.loop or not tracks.aware:
        return constant, []
    by_servo = {spec.servo: spec for spec in tracks.specs.values()}
    behind = {linkage.servos for linkage in tracks.behind}

    def plan_with(linkage: Linkage, rows: SpanRows, turn: int) -> Sequence[TrackPlan]:
        specs = [by_servo[servo] for servo in linkage.servos]
        through = linkage if linkage.servos in behind else None
        return plan_linkage(
            timeline, through, specs, tracks.pairs, share, memory, rows, about=f" torque {turn}"
        )

    return plan_torque_aware(loads, constant, tracks.aware, plan_with, clock_error, share)


def with_reverted(timeline: Timeline, reverted: Sequence[Reverted]) -> Timeline:
    """The timeline with a note for each linkage that keeps its constant limits after all."""
    notes = tuple(
        Shortfall(
            code="torque",
            channel=each.tracks[0],
            time_s=each.time_s,
            line=0,
            value=each.needed_percent,
            limit=100.0 * PLAN_SHARE,
            unit="% of stall torque",
            message=f"{' and '.join(each.tracks)} keeps to constant limits in this scene: {each.reason}",
            remedy=f"ask for calmer moves about {each.time_s:.2f} s, or leave `torque_aware` out",
            severity="note",
        )
        for each in reverted
    )
    return replace(timeline, shortfalls=(*timeline.shortfalls, *notes)) if notes else timeline


class _Scene:
    """The tracks of one scene while passes go on."""

    def __init__(
        self, loads: Loads, plans: Mapping[str, TrackPlan], clock_error: float, share: float
    ) -> None:
        self.loads = loads
        self.by_servo = {plan.spec.servo: plan for plan in plans.values()}
        self.clock_error, self.share = clock_error, share

    def specs(self, linkage: Linkage) -> list[TrackSpec]:
        """Specs of the linkage's tracks, in the order of its servos."""
        return [self.by_servo[servo].spec for servo in linkage.servos]

    def take(self, plans: Iterable[TrackPlan]) -> None:
        """These are the present motion from now on."""
        self.by_servo.update({plan.spec.servo: plan for plan in plans})

    def at(self, linkages: Iterable[Linkage], time_s: Floats) -> Iterator[tuple[Linkage, Load, TrackMotion]]:
        """Loads and motions of linkages at some moments."""
        columns = {}
        for servo, plan in self.by_servo.items():
            move = track_motion([plan.spec], [plan.points.astype(np.float64)], time_s)
            columns[servo] = move.angle[:, 0], move.speed[:, 0], move.acceleration[:, 0]
        axes = self.loads.axes(columns)
        for linkage in linkages:
            own = (
                np.stack([columns[servo][order] for servo in linkage.servos], axis=1) for order in range(3)
            )
            yield linkage, self.loads.load(linkage, axes), TrackMotion(*own)

    def rows(self, linkages: Sequence[Linkage]) -> Iterator[tuple[Linkage, SpanRows, float]]:
        """Rows about the present motion, and how far that is beyond the line where they stand."""
        for frame_us in {self.specs(linkage)[0].frame_us for linkage in linkages}:
            alike = [linkage for linkage in linkages if self.specs(linkage)[0].frame_us == frame_us]
            spec = self.specs(alike[0])[0]
            spans = len(self.by_servo[spec.servo].points) - 3
            for linkage, load, motion in self.at(alike, row_times(spec, spans)):
                still = STILL_SHARE * float(load.no_load_rad_s.min())
                line = Line(self.share, self.clock_error, still)
                rows = torque_rows(self.specs(linkage), load, motion, line, self.share)
                yield linkage, rows, float(self._overload(linkage, load, motion).max())

    def worst(self, linkages: Iterable[Linkage], time_s: Floats) -> tuple[float, float, Linkage]:
        """(largest overload as a share of stall, when, of which linkage) at these moments."""
        found = []
        for linkage, load, motion in self.at(linkages, time_s):
            over = self._overload(linkage, load, motion)
            at = int(over.argmax())
            found.append((float(over[at]), float(time_s[at]), linkage))
        return max(found, key=lambda item: item[0])

    def _overload(self, linkage: Linkage, load: Load, motion: TrackMotion) -> Floats:
        still = min(STILL_LSB / abs(spec.value_per_rad) / spec.knot_s for spec in self.specs(linkage))
        over = overload(load, motion, Line(self.share, self.clock_error, still))
        worst: Floats = np.nan_to_num(over, nan=np.inf).max(axis=1)
        return worst


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

    def revert(linkage: Linkage, time_s: float, reason: str, needed_percent: float = 0.0) -> None:
        tracks = tuple(spec.name for spec in scene.specs(linkage))
        scene.take(constant[name] for name in tracks)
        kept.remove(linkage)
        reverted.append(Reverted(tracks, time_s, reason, needed_percent))

    values: dict[tuple[str, ...], float] = {}
    settled = False
    for turn in range(PASSES + 1):
        about = list(scene.rows(kept))
        if turn == PASSES or (settled and all(over <= TOLERANCE for *_, over in about)):
            break
        settled = True
        for linkage, rows, _ in about:
            if not (np.isfinite(rows.coefficients).all() and np.isfinite(rows.low + rows.high).all()):
                revert(linkage, 0.0, "the linkage comes to the end of its reach")
                continue
            try:
                plans = plan_with(linkage, rows, turn)
            except PlanError as error:
                revert(linkage, 0.0, f"no motion keeps the torque ({error.faults[0].message})")
                continue
            scene.take(plans)
            now, before = plans[0].objective, values.get(linkage.servos, np.inf)
            values[linkage.servos] = now
            settled &= abs(before - now) <= SETTLED * now
    duration_s = max((len(plan.points) - 3) * plan.spec.knot_s for plan in constant.values())
    grid: Floats = np.multiply(np.arange(round(duration_s / GRID_S)), GRID_S, dtype=np.float64)
    # One that reverts moves otherwise, and with it what the others carry: all are looked at again.
    while kept:
        over, time_s, linkage = scene.worst(kept, grid)
        if over <= TOLERANCE:
            break
        needed = 100.0 * (share + over)
        reason = f"after {PASSES} passes it still needs {needed:.1f} % of stall torque at {time_s:.2f} s"
        revert(linkage, time_s, reason, needed)
    by_track = {plan.spec.name: plan for plan in scene.by_servo.values()}
    return {name: by_track[name] for name in constant}, reverted
