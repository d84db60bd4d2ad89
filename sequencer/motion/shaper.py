"""A filter on a track's knots that leaves a mode still: the motion becomes an average of itself, shifted.

The taps h are not negative and sum to 1, so c_k = sum h_i u_(k-i) is a convex combination of shifts of u.
Whatever convex set holds at every knot for the points of u (the box, |D1|, |D2|, |D3|, the polygon of a
pair whose tracks share the taps) holds for those of c. Nothing moves before u does. A mode with pole l that
u leaves ringing at amplitude A rings, once all shifts have come to rest, at |sum h_i exp(l H (n - i))| A:
N. C. Singer and W. P. Seering, *Preshaping command inputs to reduce system vibration*, 1990. Theirs is the
pair of taps at half a damped period; here the taps stand on knots and the amplitude is held down over
a band of frequencies by a small linear programme, the complex amplitude by a polygon about its disc.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.motion.model import Mode
from sequencer.motion.ringing import band, pole
from sequencer.motion.spline import Floats

#: Taps reach at most over so many periods of the slowest mode.
LONGEST_PERIODS = 2.0
#: The disc of amplitudes is approached from inside by a polygon with so many sides.
SIDES = 16
#: Taps under this are the solver's noise.
LEAST_TAP = 1e-7
#: Wanted shares are rounded down to powers of this, so that scenes share their taps.
SHARE_STEP = 0.8


@dataclass(frozen=True)
class Wanted:
    """A mode and the share of its ringing that may be left."""

    mode: Mode
    share: float


def zero_vibration(frequency_hz: float, damping: float) -> tuple[tuple[float, float], float]:
    """The two taps of Singer and Seering's shaper and the seconds between them (half a damped period)."""
    root = math.sqrt(1.0 - damping * damping)
    weaker = math.exp(-damping * math.pi / root)
    return (1.0 / (1.0 + weaker), weaker / (1.0 + weaker)), 0.5 / (frequency_hz * root)


def left_over(taps: Floats, step_s: float, frequency_hz: float, damping: float) -> float:
    """Which share of a mode's ringing taps ``step_s`` apart leave, when the last of them has passed."""
    waits = np.arange(len(taps))[::-1] * step_s
    return float(abs((taps * np.exp(pole(frequency_hz, damping) * waits)).sum()))


@lru_cache(maxsize=256)
def shortest(wanted: tuple[Wanted, ...], knot_s: float) -> tuple[float, ...] | None:
    """The fewest taps that bring every mode under its share over its band, of these the least late ones.

    None when :data:`LONGEST_PERIODS` are not enough, as with a mode about as fast as knots follow
    each other: taps on knots cannot tell it from standing still.
    """
    slowest = min(float(band(each.mode)[0]) for each in wanted)
    fits, fails = 1 + math.ceil(LONGEST_PERIODS / (slowest * knot_s)), 1
    if _least(wanted, knot_s, fits) > 1.0:
        return None
    while fits - fails > 1:
        middle = (fits + fails) // 2
        fits, fails = (middle, fails) if _least(wanted, knot_s, middle) <= 1.0 else (fits, middle)
    delay = np.arange(fits, dtype=np.float64)
    rows, limits, total = _inside(wanted, knot_s, fits)
    found = _linear(delay, rows, limits, total)
    taps = np.where(found.x > LEAST_TAP, found.x, 0.0)
    return tuple(float(tap) for tap in taps / taps.sum())


def rounded_share(share: float) -> float:
    """``share`` rounded down to a power of :data:`SHARE_STEP`."""
    return SHARE_STEP ** math.ceil(math.log(share) / math.log(SHARE_STEP))


def lateness_knots(taps: tuple[float, ...]) -> float:
    """How many knots later the middle of a motion comes: the taps' centre of gravity."""
    return float(np.arange(len(taps)) @ np.array(taps))


def shaped(extended: Floats, taps: tuple[float, ...], loop: bool) -> Floats:
    """The filtered extended points.

    Between fixed ends (K + 3,) points become K + len(taps) + 2: the motion ends that much later. A loop's
    stay as many.
    """
    if not loop:
        held = np.concatenate([np.full(len(taps) - 1, extended[0]), extended])
        held = np.concatenate([held, np.full(len(taps) - 1, extended[-1])])
        return np.convolve(held, taps, mode="valid")
    count = len(extended) - 3
    points = np.zeros(count)
    for place, tap in enumerate(taps):
        if tap:
            points += tap * np.roll(extended[:count], place)
    return points[np.arange(count + 3) % count]


def _inside(wanted: tuple[Wanted, ...], knot_s: float, count: int) -> tuple[Floats, Floats, Floats]:
    """Rows with rows @ h <= limits keeping every amplitude within its share, and the row of the sum."""
    turns = np.exp(1j * math.tau * np.arange(SIDES) / SIDES)
    waits = np.arange(count)[::-1] * knot_s
    rows, limits = [], []
    for each in wanted:
        for frequency in band(each.mode):
            amplitude = np.exp(pole(float(frequency), each.mode.damping) * waits)
            rows.append((turns[:, None] * amplitude).real)
            limits.append(np.full(SIDES, each.share * math.cos(math.pi / SIDES)))
    return np.concatenate(rows), np.concatenate(limits), np.ones((1, count))


def _least(wanted: tuple[Wanted, ...], knot_s: float, count: int) -> float:
    """The least over all taps of the largest amplitude, as a multiple of what is wanted."""
    rows, limits, total = _inside(wanted, knot_s, count)
    wider = np.hstack([rows, -limits[:, None]])
    cost = np.zeros(count + 1)
    cost[-1] = 1.0
    found = _linear(cost, wider, np.zeros(len(limits)), np.hstack([total, [[0.0]]]))
    return float(found.fun) if found.success else math.inf


def _linear(cost: Floats, rows: Floats, limits: Floats, total: NDArray[np.float64]) -> Any:
    from scipy.optimize import linprog

    return linprog(cost, A_ub=rows, b_ub=limits, A_eq=total, b_eq=[1.0], bounds=(0.0, None), method="highs")
