"""The wish of one axis as legs end to end: each starts from where the axis is, by one law.

A leg that starts from rest is ``p + (target - p) s(t/T)``. A leg that interrupts a moving axis adds a
brake: the old velocity and acceleration fade out over ``brake_s`` (a cubic in velocity) while the
law covers what is left of the way. Units are the caller's (rad here), time in seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from sequencer.timeline.laws import Law
from sequencer.timeline.model import GRID_S

Array = NDArray[np.float64]
#: Slack of "within the limits" for curves that are checked by sampling.
_SLACK = 1.0 + 1e-6
_SAMPLES = np.linspace(0.0, 1.0, 65)
#: A duration is looked for on this ladder, which is climbed so many times at most.
_GROWTH: Array = 1.2 ** np.arange(16.0)
_TRIES = 4
#: A move that takes over from a state beyond the limits is no more than this beyond it.
_WORSE = 1.1
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
        way = self.target - first.p - self.brake_way()
        out = way * rate**order * self.law.at(t * rate, order)
        if order == 0:
            out = out + first.p
        return out + self.brake(t, order) if self.brake_s > 0 else out

    def brake_way(self) -> float:
        """How far the fading old motion goes."""
        return self.begin.v * self.brake_s / 2 + self.begin.a * self.brake_s**2 / 12

    def brake(self, t: Array, order: int) -> Array:
        """Position, velocity ... of the fading old motion, from zero position."""
        v, a, length = self.begin.v, self.begin.a * self.brake_s, self.brake_s
        x = np.clip(t / length, 0.0, 1.0)
        if order == 0:
            return length * x * (v * (1 + x * x * (x / 2 - 1)) + a * x * (0.5 + x * (x / 4 - 2 / 3)))
        if order == 1:
            return v * (1 + x * x * (2 * x - 3)) + a * x * (1 + x * (x - 2))
        over = x >= 1.0
        if order == 2:
            return np.where(over, 0.0, (6 * v * x * (x - 1) + a * (1 + x * (3 * x - 4))) / length)
        return np.where(over, 0.0, (v * (12 * x - 6) + a * (6 * x - 4)) / length**2)


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

    Closed form from rest; from a moving state the smallest that fits (to 0.1 %).
    """
    if state.still:
        return law.shortest_s(target - state.p, bounds.velocity, bounds.acceleration, bounds.jerk)
    return _shortest_moving_s(state, target, law, bounds)


@lru_cache(maxsize=256)
def _shortest_moving_s(state: State, target: float, law: Law, bounds: Bounds) -> float:
    # Remembered, because the chains of one axis are mostly in the same state.
    alone_s = law.shortest_s(target - state.p, bounds.velocity, bounds.acceleration, bounds.jerk)
    moving = _Moving(state, target, law, bounds)
    low = high = max(moving.brake_s, alone_s / 2)
    for _ in range(_TRIES):
        tried = high * _GROWTH
        fits = moving.fit(tried)
        if fits.any():
            first = int(fits.argmax())
            low, high = (float(tried[first - 1]) if first else low), float(tried[first])
            break
        low = high = float(tried[-1])
    for _ in range(2):
        tried = np.linspace(low, high, 24, dtype=np.float64)
        fits = np.append(moving.fit(tried[:-1]), True)
        first = int(fits.argmax())
        low, high = float(tried[max(first - 1, 0)]), float(tried[first])
    return high


class _Moving:
    """Which durations keep a leg from a moving state within its bounds: samples of both parts are tried."""

    def __init__(self, state: State, target: float, law: Law, bounds: Bounds) -> None:
        self.brake_s = brake_s(state, bounds)
        self.law = law
        self.leg = Leg(0.0, 1.0, state, target, law, self.brake_s)
        self.way = target - state.p - self.leg.brake_way()
        self.braking_s = _SAMPLES * self.brake_s
        limits = (bounds.velocity, bounds.acceleration, bounds.jerk)
        # A state as written may be beyond the limits already: then it may only not get worse.
        braking = [float(np.abs(self.leg.brake(self.braking_s, order)).max()) for order in (1, 2, 3)]
        allowed = [
            limit if most <= limit else _WORSE * most for limit, most in zip(limits, braking, strict=True)
        ]
        self.checks = list(enumerate(allowed, start=1))[: 3 if math.isfinite(law.cj) else 2]

    def fit(self, duration_s: Array) -> NDArray[np.bool_]:
        """Of durations (n,): whether velocity, acceleration and (for laws without jumps) jerk stay within."""
        rate = 1.0 / duration_s[:, None]
        whole_s = _SAMPLES * duration_s[:, None]
        within = np.ones(len(duration_s), np.bool_)
        for order, limit in self.checks:
            reach = self.way * rate**order
            whole = reach * _law_samples(self.law, order) + self.leg.brake(whole_s, order)
            start = reach * self.law.at(self.braking_s * rate, order) + self.leg.brake(self.braking_s, order)
            worst = np.maximum(np.abs(whole).max(axis=1), np.abs(start).max(axis=1))
            within &= worst <= limit * _SLACK
        return within


@cache
def _law_samples(law: Law, order: int) -> Array:
    return law.at(_SAMPLES, order)


class Run:
    """The legs of one axis in the order of their starts; before the first it rests at ``home``."""

    def __init__(self, home: float) -> None:
        self.home = home
        self.legs: list[Leg | Samples] = []
        self._known: tuple[float, State] | None = None  # the state that was asked for last

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
        if self._known is None or self._known[0] != time_s:
            self._known = time_s, self._state(time_s)
        return self._known[1]

    def _state(self, time_s: float) -> State:
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
        self._known = None

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
