"""Accents with what rides on them, and what to write for those that the axis cannot make.

An accent that a move lands on knows its remedy. Any other (``is``, a score's) is approached from the last
turn of the curve before it and left for the next: each of the two ways, from rest to rest by the default law,
takes a closed-form time or spans a closed-form angle, and these are the remedies. Where both ways fit
there is none: nothing has to give way.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sequencer.timeline.axis_runs import AxisRuns
from sequencer.timeline.laws import DEFAULT_LAW, LAWS
from sequencer.timeline.model import GRID_S, Accent
from sequencer.timeline.say import angle_words, clock, tenth_toward, up
from sequencer.timeline.words import listed
from sequencer.units import rad_from_deg

Array = NDArray[np.float64]
#: A sway that moves an axis by more than this in a millisecond keeps a landing from being at rest.
_STILL_RAD = rad_from_deg(0.002)
_LAW = LAWS[DEFAULT_LAW]
#: A nearer turn is offered when it leaves at least this share of the way.
_WORTHWHILE = 1 / 3


def finished(runs: AxisRuns, asked: Array, ridden: Array) -> tuple[Accent, ...]:
    """The accents of an axis in order of time, each with its remedy.

    ``asked`` is the curve as authored, ``ridden`` what sways add to the moves beneath (1 ms grid).
    """
    if not runs.accents:
        return ()
    turns, mirrored = _Turns(asked), _Turns(asked[::-1])
    low, high = runs.axis.range_rad
    accents = []
    ordered = sorted(runs.accents, key=lambda item: item.time_s)
    for accent, others in zip(ordered, _neighbours(ordered), strict=True):
        at = min(round(accent.time_s / GRID_S), len(asked) - 1)
        if accent.remedy:
            near = ridden[max(at - 1, 0) : at + 2]
            still = accent.rest and float(np.ptp(near)) <= _STILL_RAD
            value = min(max(accent.value_rad + float(ridden[at]), low), high)
            accents.append(replace(accent, value_rad=value, rest=still))
        else:
            ways = [turns.before(at), mirrored.before(len(asked) - 1 - at)]
            for side, other in enumerate(others):  # an accent nearer than the curve's own turn
                if other is not None and abs(other.time_s - accent.time_s) < ways[side][0]:
                    ways[side] = abs(other.time_s - accent.time_s), other.value_rad
            accents.append(replace(accent, remedy=_remedy(runs, accent, ways)))
    return tuple(accents)


def _neighbours(accents: Sequence[Accent]) -> Iterator[tuple[Accent | None, Accent | None]]:
    """The accents before and after each."""
    return zip([None, *accents[:-1]], [*accents[1:], None], strict=True)


class _Turns:
    """Where a curve turns, or begins to rest."""

    def __init__(self, curve: Array) -> None:
        self.curve = curve
        steps = np.sign(np.diff(curve))
        self.moving = np.flatnonzero(steps)
        turned = steps[self.moving][1:] != steps[self.moving][:-1]
        self.turns = np.concatenate([[0], self.moving[:-1][turned] + 1])

    def before(self, at: int) -> tuple[float, float]:
        """How long (s) before sample ``at`` the curve turned or came to rest, and its angle there."""
        place = int(self.turns[np.searchsorted(self.turns, at, side="left") - 1]) if at > 0 else 0
        moved = np.searchsorted(self.moving, at, side="left")
        if moved and self.moving[moved - 1] + 1 < at:  # rests since then
            place = int(self.moving[moved - 1]) + 1
        return (at - place) * GRID_S, float(self.curve[place])


def _remedy(runs: AxisRuns, accent: Accent, ways: Iterable[tuple[float, float]]) -> str:
    bounds = (runs.bounds.velocity, runs.bounds.acceleration, runs.bounds.jerk)
    time_s, value = accent.time_s, accent.value_rad
    earlier, nearer = [], []
    for (has_s, far), word, side in zip(ways, ("before", "after"), (-1, 1), strict=True):
        needs_s = _LAW.shortest_s(far - value, *bounds)
        if needs_s <= has_s:
            continue
        name = angle_words(runs.axis, far)
        verb = "leave" if side < 0 else "be at"
        if time_s < needs_s and side < 0:
            return f"let it be there at {clock(time_s + up(needs_s - has_s))} or later"
        earlier.append(f"{verb} {name} at {clock(time_s + side * up(needs_s))} or {_LATER[side]}")
        reach = _LAW.farthest(has_s, *bounds)
        least = tenth_toward(value + math.copysign(reach, far - value), value)
        if abs(least - value) >= _WORTHWHILE * abs(far - value):
            nearer.append(f"go no further than {angle_words(runs.axis, least)} {word} it")
    if not earlier:
        return ""
    also = f"; or {listed(nearer, 'and')}" if len(nearer) == len(earlier) else ""
    return f"{listed(earlier, 'and')}{also}"


_LATER = {-1: "sooner", 1: "later"}
