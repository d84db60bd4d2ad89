"""A head on a neck that gives way, by SciPy's simulation of a linear system, not by our closed form."""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lsim

Array = np.ndarray


def wobble(angle: Array, step_s: float, frequency_hz: float, damping: float) -> Array:
    """How far the head is off its servo's angle (same unit) on the grid of ``angle``, from rest.

    z'' + 2 d w (z' - q') + w^2 (z - q) = 0 with q the servo's angle, linear between samples; z - q.
    """
    omega = math.tau * frequency_hz
    system = ([2.0 * damping * omega, omega**2], [1.0, 2.0 * damping * omega, omega**2])
    started = angle - angle[0]
    _, head, _ = lsim(system, started, np.arange(len(angle)) * step_s)
    off: Array = head - started
    return off


def holds(angle: Array, step_s: float, least_s: float, within: float) -> list[tuple[int, int]]:
    """[first, last) samples of all stretches of ``least_s`` or more that keep ``within`` of their end."""
    found = []
    stop = len(angle)
    while stop > 0:
        inside = np.abs(angle[:stop] - angle[stop - 1]) <= within
        first = stop - int(np.argmin(inside[::-1])) if not inside.all() else 0
        if (stop - first) * step_s >= least_s:
            found.append((first, stop))
        stop = min(first, stop - 1)
    return found[::-1]
