"""Counting flashes the way WCAG 2.x success criterion 2.3.1 counts them, on the lamps' luminance.

The criterion is about screens; for a figure in a room it is only the nearest published yardstick.
No exemption by area is claimed, and all lamps count together.
"""

from __future__ import annotations

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


def count_flashes(lamps: NDArray[np.float64], step_s: float) -> Flashes:
    """The worst second over all lamps together; ``lamps`` is (n, lamps) of relative luminance."""
    merged: list[float] = []
    every = sorted(time for column in range(lamps.shape[1]) for time in flash_times(lamps[:, column], step_s))
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
