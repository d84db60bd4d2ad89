"""The cured chain of an axis, from which the remedies are taken.

In it every move starts when the one before it has arrived, from rest, and takes at least its shortest
time. Starts and durations are rounded up to what one would write, so following every remedy of a
chain clears all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.timeline.curve import Bounds, Leg, Run, State, shortest_s
from sequencer.timeline.laws import DEFAULT_LAW, Law
from sequencer.timeline.say import tenth_toward, up
from sequencer.units import rad_from_deg

#: Remedies are reckoned more strictly than lateness, so that what they leave is always on time.
CURED_S = 0.001
#: A move that is cut short this near its target (share of its way) has as good as arrived.
_ARRIVED = 0.02
#: Worth writing instead: a nearer angle that is at least this share of the way.
_WORTHWHILE = 1 / 3


@dataclass(frozen=True)
class Cure:
    """Where a move stands in the cured chain: its start, from where, and its time before stretching."""

    start_s: float
    state: State
    asked_s: float


class CuredChain:
    """The cured moves of one axis."""

    def __init__(self, home_rad: float, bounds: Bounds) -> None:
        self.run = Run(home_rad)
        self.bounds = bounds

    def start(self, time_s: float, target: float) -> tuple[float, State]:
        """When a cue may begin once all before it is cured, as one would write it, and from where."""
        run = self.run
        leg = run.legs[-1] if run.legs else None
        if leg is None or time_s >= leg.end_s - CURED_S:
            return time_s, State(run.target)
        if isinstance(leg, Leg) and leg.start_s <= time_s:
            state = run.state(time_s)
            if blends(leg.begin.p, leg.target, state.p, target):
                return time_s, state
        return up(leg.end_s), State(leg.target)

    def add(self, cure: Cure, target: float, asked_s: float, law: Law) -> float:
        """Add a move that takes ``asked_s`` if it can; returns its duration, as one would write it."""
        needed_s = shortest_s(cure.state, target, law, self.bounds)
        duration_s = asked_s if needed_s <= asked_s + CURED_S else up(needed_s)
        self.run.go(cure.start_s, target, duration_s, law, self.bounds)
        return duration_s

    def land(self, time_s: float, target: float, asked_s: float, law: Law) -> float:
        """Add a move that lands at ``time_s``, or as soon after as it can; returns when it does."""
        needed_s = max(asked_s, shortest_s(State(self.run.target), target, law, self.bounds))
        earliest_s = max(self.run.end_s, 0.0) + needed_s
        lands_s = up(earliest_s) if earliest_s > time_s + CURED_S else time_s
        self.run.go(lands_s - needed_s, target, needed_s, law, self.bounds)
        return lands_s


def blends(begin: float, target: float, reached: float, following: float) -> bool:
    """Whether a move that is at ``reached`` may give way to one to ``following`` without a loss.

    It has as good as arrived, or the next one passes its target all the same.
    """
    if (following - target) * (target - begin) >= 0:
        return True
    return abs(target - reached) <= max(_ARRIVED * abs(target - begin), rad_from_deg(0.1))


def nearer(begin: float, target: float, asked_s: float, law: Law, bounds: Bounds) -> float | None:
    """The farthest tenth of a degree toward ``target`` that the axis makes in ``asked_s``, if worthwhile."""
    reach = law.farthest(asked_s, bounds.velocity, bounds.acceleration, bounds.jerk)
    tenth = tenth_toward(begin + math.copysign(reach, target - begin), begin)
    useful = max(_WORTHWHILE * abs(target - begin), rad_from_deg(0.1) - 1e-9)
    return tenth if abs(tenth - begin) >= useful else None


def pace_words(law: Law) -> str:
    """What a remedy adds to name a law other than the default."""
    return "" if law.word == DEFAULT_LAW else f", {law.word}"
