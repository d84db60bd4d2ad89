"""Counting flashes the way WCAG 2.x success criterion 2.3.1 counts them, on the lamps' luminance.

The criterion is about screens; for a figure in a room it is only the nearest published yardstick.
No exemption by area is claimed, and all lamps count together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: A change of relative luminance counts from this share of the maximum (WCAG 2.x, general flash).
CHANGE = 0.10
#: ... and only while the darker state is below this.
DARKER_BELOW = 0.80
#: At most this many flashes in any one second.
FLASHES_PER_SECOND = 3
#: Lamps that change within this time of each other are seen as one change.
TOGETHER_S = 0.02

# Levels come in steps of 1/4095; a change of exactly 0.10 must not be lost to rounding.
_EPSILON = 1e-9


#: Saturated red begins at this share of R + G + B, and R - G - B must change by this (WCAG 2.x, 20 of 320).
RED_SHARE = 0.8
RED_CHANGE = 20.0 / 320.0


@dataclass(frozen=True)
class Flashes:
    """The worst second: how many flashes, and when it begins."""

    worst_count: int
    from_s: float


def flash_times(luminance: NDArray[np.float64], step_s: float) -> list[float]:
    """When each flash of one lamp is complete: the second of a pair of opposing changes.

    ``luminance`` (n,) is relative, 0..1, one value per ``step_s``.
    """
    times: list[float] = []
    top = bottom = float(luminance[0]) if luminance.size else 0.0
    expected: str | None = None  # after a rise only a fall opposes it, and the other way round
    paired = True
    for index, value in enumerate(luminance.tolist()):
        top, bottom = max(top, value), min(bottom, value)
        if expected != "fall" and value - bottom >= CHANGE - _EPSILON and bottom < DARKER_BELOW:
            expected, top = "fall", value
        elif expected != "rise" and top - value >= CHANGE - _EPSILON and value < DARKER_BELOW:
            expected, bottom = "rise", value
        else:
            continue
        paired = not paired
        if paired:
            times.append(index * step_s)
    return times


def red_flash_times(rgb: NDArray[np.float64], step_s: float) -> list[float]:
    """When each red flash of one lamp is complete; ``rgb`` (n, 3) is linear red, green and blue, 0..1.

    A red flash is a pair of opposing changes of max(0, R - G - B) by more than 20 of 320 that involve a
    saturated red, R / (R + G + B) >= 0.8.
    """
    total = rgb.sum(axis=1)
    redness = np.maximum(0.0, rgb[:, 0] - rgb[:, 1] - rgb[:, 2])
    saturated = (rgb[:, 0] >= RED_SHARE * total - _EPSILON) & (total > 0)
    times: list[float] = []
    if not len(redness):
        return times
    low = high = float(redness[0])
    low_red = high_red = bool(saturated[0])
    expected: str | None = None
    paired = True
    for index, (value, red) in enumerate(zip(redness.tolist(), saturated.tolist(), strict=True)):
        if value <= low:
            low, low_red = value, red
        if value >= high:
            high, high_red = value, red
        if expected != "fall" and value - low > RED_CHANGE + _EPSILON and (red or low_red):
            expected, high, high_red = "fall", value, red
        elif expected != "rise" and high - value > RED_CHANGE + _EPSILON and (red or high_red):
            expected, low, low_red = "rise", value, red
        else:
            continue
        paired = not paired
        if paired:
            times.append(index * step_s)
    return times


def count_red_flashes(lamps: Sequence[NDArray[np.float64]], step_s: float) -> Flashes:
    """The worst second of red flashes over all lamps together; each is (n, 3) of linear red, green, blue."""
    return _worst(sorted(time for rgb in lamps for time in red_flash_times(rgb, step_s)))


def count_flashes(lamps: NDArray[np.float64], step_s: float) -> Flashes:
    """The worst second over all lamps together; ``lamps`` is (n, lamps) of relative luminance."""
    columns = range(lamps.shape[1])
    return _worst(sorted(time for column in columns for time in flash_times(lamps[:, column], step_s)))


def _worst(every: list[float]) -> Flashes:
    merged: list[float] = []
    for time in every:
        if not merged or time - merged[-1] > TOGETHER_S + _EPSILON:
            merged.append(time)
    worst, start_s = 0, 0.0
    first = 0
    for last, time in enumerate(merged):
        while time - merged[first] >= 1.0 - _EPSILON:
            first += 1
        if last - first + 1 > worst:
            worst, start_s = last - first + 1, merged[first]
    return Flashes(worst, start_s)
