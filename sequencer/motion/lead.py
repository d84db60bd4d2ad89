"""A wish taken ahead, so that a motion which a filter delays is on time again: but never before its cue.

While the wish goes on moving it is taken ahead by as much as the filter delays. Where it begins to
move out of a hold it begins when it did, and gets ahead over its first second (or less, when it is shorter).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sequencer.motion.spline import Floats
from sequencer.timeline.model import GRID_S

#: A motion has got ahead after so long, or when it ends.
GET_AHEAD_S = 1.0
#: A stop shorter than this is part of a motion.
LEAST_HOLD_S = 0.1
#: What changes by less from sample to sample stands, in the wish's units (LSB).
STANDS = 1e-6


def ahead(wishes: Sequence[Floats], lead_s: float, loop: bool) -> NDArray[np.int64]:
    """For each sample of the 1 ms grid which sample to take instead, (n,), for wishes that move together."""
    count = len(wishes[0])
    moves = np.zeros(count - 1, bool)
    for wish in wishes:
        moves |= np.abs(np.diff(wish)) > STANDS
    lead = lead_s / GRID_S
    sample = np.arange(count)
    if loop and moves.all():
        return (sample + round(lead)) % (count - 1)
    turn = 0
    if loop:  # begin where it stands, so that no motion is cut in two
        turn = int(np.argmin(moves))
        moves = np.roll(moves, -turn)
    starts, stops = _motions(moves)
    taken = sample.copy()
    for start, stop, following in zip(starts, stops, np.append(starts, count - 1)[1:], strict=True):
        inside = sample[start : stop + 1]
        share = np.minimum((inside - start) / min(stop - start, GET_AHEAD_S / GRID_S), 1.0)
        taken[start : stop + 1] = np.minimum(inside + np.rint(lead * share).astype(np.int64), following)
    if loop:
        taken = np.roll(taken[:-1] + turn, turn) % (count - 1)
        taken = np.append(taken, taken[0])
    return taken


def _motions(moves: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last sample of every stretch of moving, short stops within."""
    edges = np.diff(np.concatenate([[False], moves, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not len(starts):
        return starts, stops
    apart = starts[1:] - stops[:-1] >= math.ceil(LEAST_HOLD_S / GRID_S)
    return starts[np.append(True, apart)], stops[np.append(apart, True)]
