"""The wish of one axis as legs end to end: each starts from where the axis is, by one law.

A leg that starts from rest is ``p + (target - p) s(t/T)``. A leg that interrupts a moving axis adds a
brake: the old velocity and acceleration fade out over ``brake_s`` (a cubic in velocity) while the
law covers what is left of the way. Units are the caller's (rad here), time in seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.timeline.laws import Law
from sequencer.timeline.model import GRID_S

Array = NDArray[np.float64]
#: Slack of "within the limits" for curves that are checked by sampling.
_SLACK = 1.0 + 1e-6
_SAMPLES = np.linspace(0.0, 1.0, 65)
#: Share of the limits that a brake uses, so that the new move can begin under it.
_BRAKE_SHARE = 0.7


@dataclass(frozen=True)
class Bounds:
    """What an axis may do: rad/s, rad/s^2, rad/s^3."""

    velocity: float
    acceleration: float
    jerk: float


@dataclass(frozen=True)
class State:
    """Where an axis is: position, velocity, acceleration."""

    p: float
    v: float = 0.0
    a: float = 0.0

    @property
    def still(self) -> bool:
        """Whether it rests."""
        return abs(self.v) < 1e-9 and abs(self.a) < 1e-7


def brake_s(state: State, bounds: Bounds) -> float:
    """How long fading out the state's motion takes within 70 % of the limits; 0 at rest."""
    if state.still:
        return 0.0
    v, a = abs(state.v), abs(state.a)
    soft = _BRAKE_SHARE * bounds.jerk
    by_jerk = (4 * a + math.sqrt(16 * a * a + 24 * v * soft)) / (2 * soft)
    return max(1.5 * v / (_BRAKE_SHARE * bounds.acceleration), by_jerk, GRID_S)


@dataclass(frozen=True)
class Leg:
    """From ``begin`` at ``start_s`` to rest at ``target`` in ``duration_s``; holds there afterwards."""

    start_s: float
    duration_s: float
    begin: State
    target: float
    law: Law
    brake_s: float = 0.0

    @property
    def end_s(self) -> float:
        """When it arrives."""
        return self.start_s + self.duration_s

    def at(self, time_s: Array, order: int) -> Array:
        """Derivative ``order`` (0..3) at scene times (``time_s`` >= start)."""
        t = time_s - self.start_s
        first, rate = self.begin, 1.0 / self.duration_s
        way = self.target - first.p - self._brake_way()
        law = (self.law.s, self.law.v, self.law.a, self.law.j)[order]
        out = way * rate**order * law(t * rate)
        if order == 0:
            out = out + first.p
        return out + self._brake(t, order) if self.brake_s > 0 else out

    def _brake_way(self) -> float:
        return self.begin.v * self.brake_s / 2 + self.begin.a * self.brake_s**2 / 12

    def _brake(self, t: Array, order: int) -> Array:
        """Position, velocity ... of the fading old motion, from zero position."""
        v, a, length = self.begin.v, self.begin.a * self.brake_s, self.brake_s
        x = np.clip(t / length, 0.0, 1.0)
        if order == 0:
            return length * (v * (x**4 / 2 - x**3 + x) + a * (x**4 / 4 - 2 * x**3 / 3 + x**2 / 2))
        if order == 1:
            return v * (2 * x**3 - 3 * x**2 + 1) + a * (x**3 - 2 * x**2 + x)
        over = x >= 1.0
        if order == 2:
            return np.where(over, 0.0, (v * (6 * x**2 - 6 * x) + a * (3 * x**2 - 4 * x + 1)) / length)
        return np.where(over, 0.0, (v * (12 * x - 6) + a * (6 * x - 4)) / length**2)

    def fits(self, bounds: Bounds) -> bool:
        """Whether velocity, acceleration and (for laws without jumps) jerk stay within ``bounds``."""
        times = np.concatenate([_SAMPLES * self.duration_s, _SAMPLES * self.brake_s]) + self.start_s
        checks = [(1, bounds.velocity), (2, bounds.acceleration)]
        if math.isfinite(self.law.cj):
            checks.append((3, bounds.jerk))
        return all(
            float(np.max(np.abs(self.at(times, m)))) <= limit * _SLACK for m, limit in reversed(checks)
        )


@dataclass(frozen=True)
class Samples:
    """A stretch that was imported: points joined by straight lines, then held."""

    start_s: float
    times_s: Array
    values: Array

    @property
    def end_s(self) -> float:
        """Scene time of its last point."""
        return self.start_s + float(self.times_s[-1])

    @property
    def target(self) -> float:
        """Where it ends."""
        return float(self.values[-1])

    def at(self, time_s: Array, order: int) -> Array:
        """Position by straight lines; its derivatives count as zero (nothing is promised of them)."""
        if order:
            return np.zeros_like(time_s)
        return np.interp(time_s - self.start_s, self.times_s, self.values)


def shortest_s(state: State, target: float, law: Law, bounds: Bounds) -> float:
    """The smallest duration of a leg from ``state`` to ``target`` within ``bounds``.

    Closed form from rest; from a moving state the smallest that passes :meth:`Leg.fits` (to 0.1 %).
    """
    if state.still:
        return law.shortest_s(target - state.p, bounds.velocity, bounds.acceleration, bounds.jerk)
    brake = brake_s(state, bounds)

    def fits(duration_s: float) -> bool:
        return Leg(0.0, duration_s, state, target, law, brake).fits(bounds)

    alone_s = law.shortest_s(target - state.p, bounds.velocity, bounds.acceleration, bounds.jerk)
    low = high = max(brake, alone_s / 2)
    for _ in range(60):
        if fits(high):
            break
        low, high = high, high * 1.2
    for _ in range(9):
        middle = (low + high) / 2
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high


class Run:
    """The legs of one axis in the order of their starts; before the first it rests at ``home``."""

    def __init__(self, home: float) -> None:
        self.home = home
        self.legs: list[Leg | Samples] = []

    @property
    def end_s(self) -> float:
        """When the newest leg arrives."""
        return self.legs[-1].end_s if self.legs else 0.0

    @property
    def target(self) -> float:
        """Where the axis ends up."""
        return self.legs[-1].target if self.legs else self.home

    def state(self, time_s: float) -> State:
        """Where the axis is at ``time_s``."""
        leg = next((leg for leg in reversed(self.legs) if leg.start_s <= time_s), None)
        if leg is None:
            return State(self.home)
        if time_s >= leg.end_s - 1e-9:
            return State(leg.target)
        moment = np.array([time_s])
        p, v, a = (float(leg.at(moment, order)[0]) for order in (0, 1, 2))
        return State(p, v, a)

    def go(self, start_s: float, target: float, duration_s: float, law: Law, bounds: Bounds) -> None:
        """Start a leg; the newest wins, from where the axis is."""
        state = self.state(start_s)
        duration_s = max(duration_s, GRID_S)
        brake = min(brake_s(state, bounds), duration_s)
        self.take(Leg(start_s, duration_s, state, target, law, brake))

    def take(self, leg: Leg | Samples) -> None:
        """Add a leg; one that was to begin later (a landing held up) never does."""
        while self.legs and self.legs[-1].start_s > leg.start_s:
            self.legs.pop()
        self.legs.append(leg)

    def sampled(self, count: int) -> Array:
        """Positions at i * GRID_S, i < count."""
        out = np.full(count, self.home)
        starts = [math.ceil(leg.start_s / GRID_S - 1e-6) for leg in self.legs]
        for leg, first, following in zip(self.legs, starts, [*starts, count][1:], strict=True):
            first, last = max(0, first), min(count, following)
            if last <= first:
                continue
            arrived = min(last, max(first, math.ceil(leg.end_s / GRID_S) + 1))
            out[first:arrived] = leg.at(np.arange(first, arrived, dtype=np.float64) * GRID_S, 0)
            out[arrived:last] = leg.target
        return out
