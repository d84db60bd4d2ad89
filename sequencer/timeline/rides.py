"""Sways laid over the moves beneath them, once the scene's length is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.timeline.axes import Axes
from sequencer.timeline.axis_runs import AxisRuns
from sequencer.timeline.curve import Samples
from sequencer.timeline.model import GRID_S, Shortfall
from sequencer.timeline.scene import Sway
from sequencer.timeline.sway import USUAL_PERIOD_S, Swing, slowest_that_fits, usual_swing
from sequencer.units import deg_from_rad, rad_from_deg

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Ride:
    """A sway waiting for the scene's length to be known."""

    start_s: float
    sway: Sway
    line: int


def add_ride(
    ride: Ride, runs: AxisRuns, asked: Array, wish: Array, length: tuple[float, bool], tell: Axes
) -> None:
    """Add one sway to both curves in place; the wish's is smaller where the axis or its range binds.

    ``length`` is the scene's duration (s) and whether it loops; ``tell`` collects what falls short.
    """
    sway, amplitude = ride.sway, rad_from_deg(ride.sway.amplitude_deg)
    start_s, swing = _swing(ride, runs, amplitude, length, tell)
    first = math.ceil(start_s / GRID_S - 1e-6)
    last = min(len(wish), math.floor((start_s + swing.duration_s) / GRID_S + 1e-6) + 1)
    unit = swing.at(np.arange(first, last, dtype=np.float64) * GRID_S - start_s, 0)
    asked[first:last] += amplitude * unit
    most = swing.largest(runs.bounds)
    kept = min(amplitude, most)
    if kept < amplitude:
        tell.shortfalls.append(_too_fast(ride, runs, swing, amplitude, most))
    room = _room(wish[first:last], unit, runs.axis.range_rad)
    if room < kept - 1e-9:
        tell.shortfalls.append(
            Shortfall(
                code="range",
                channel=runs.axis.name,
                time_s=start_s,
                line=ride.line,
                value=sway.amplitude_deg,
                limit=deg_from_rad(room),
                unit="deg",
                message=f"line {ride.line}: {runs.axis.name} {sway.kind} {sway.amplitude_deg:g} "
                f"goes beyond the axis's range, so it "
                + (f"sways {_down(deg_from_rad(room))}" if room > rad_from_deg(0.05) else "stands still"),
                remedy=f"{sway.kind} {_down(deg_from_rad(room))} is the most that fits there"
                if room > rad_from_deg(0.05)
                else "move the axis away from the end of its range first",
            )
        )
        kept = room
    wish[first:last] += kept * unit


def overlap_note(runs: AxisRuns, wish: Array) -> list[str]:
    """A note when sways and the moves beneath them, each possible, ask too much together.

    Nothing is stretched for it: the planner keeps the limits and rounds the curve there.
    """
    if any(isinstance(leg, Samples) for leg in runs.wish.legs):
        return []  # an imported curve has corners; what it loses is reported by the plan
    worst, when_s = 1.0, 0.0
    for order, limit in ((1, runs.bounds.velocity), (2, runs.bounds.acceleration)):
        used = np.abs(np.diff(wish, order)) / (GRID_S**order * limit)
        at = int(np.argmax(used))
        if used[at] > worst:
            worst, when_s = float(used[at]), at * GRID_S
    if worst < 1.02:
        return []
    return [
        f"{runs.axis.name} sways while it moves: at {when_s:.2f} s both together ask {worst:.2f} times "
        f"what it can do; the plan will round it off there"
    ]


def _swing(
    ride: Ride, runs: AxisRuns, amplitude: float, length: tuple[float, bool], tell: Axes
) -> tuple[float, Swing]:
    """When the sway starts and its shape."""
    sway = ride.sway
    duration_s, loop = length
    if sway.duration_s is None and loop:
        period_s = sway.period_s or USUAL_PERIOD_S[sway.kind]
        whole_s = duration_s / max(1, round(duration_s / period_s))
        if sway.period_s is not None and abs(whole_s - period_s) > 1e-6:
            tell.notes.append(
                f"line {ride.line}: every {period_s:g} s became every {whole_s:.4g} s, "
                f"so that the loop closes"
            )
        return 0.0, Swing(duration_s, whole_s, endless=True)
    length_s = duration_s - ride.start_s if sway.duration_s is None else sway.duration_s
    if sway.period_s is not None:
        return ride.start_s, Swing(length_s, sway.period_s)
    return ride.start_s, usual_swing(sway.kind, length_s, amplitude, runs.bounds)


def _too_fast(ride: Ride, runs: AxisRuns, swing: Swing, amplitude: float, most: float) -> Shortfall:
    name, sway = runs.axis.name, ride.sway
    remedy = f"{name} can do {_down(deg_from_rad(most))} deg every {swing.period_s:.3g} s"
    period_s = slowest_that_fits(swing, amplitude, runs.bounds)
    if period_s is not None:
        remedy += f", or {sway.amplitude_deg:g} deg every {period_s:g} s"
    return Shortfall(
        code="rate",
        channel=name,
        time_s=ride.start_s,
        line=ride.line,
        value=sway.amplitude_deg,
        limit=deg_from_rad(most),
        unit="deg",
        message=f"line {ride.line}: {name} {sway.kind} {sway.amplitude_deg:g} every {swing.period_s:.3g} s "
        f"is too fast; it keeps the time and swings {_down(deg_from_rad(most))}",
        remedy=remedy,
    )


def _room(base: Array, unit: Array, range_rad: tuple[float, float]) -> float:
    """The largest amplitude of ``unit`` on ``base`` that stays in the range (0 when there is none)."""
    room = math.inf
    for edge, side in ((range_rad[1], unit > 1e-6), (range_rad[0], unit < -1e-6)):
        if side.any():
            room = min(room, float(np.min((edge - base[side]) / unit[side])))
    return max(0.0, room)


def _down(degrees: float) -> str:
    """``degrees`` rounded down to what one would write."""
    step = 0.1 if degrees >= 1 else 0.01
    return f"{math.floor(degrees / step + 1e-9) * step:.4g}"
