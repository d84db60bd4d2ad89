"""A wish made of moves, each a cycloid."""

from __future__ import annotations

import math

import numpy as np


def cycloids(duration_s: float, *moves: tuple[float, float, float]) -> np.ndarray:
    """Rad on the 1 ms grid: (start, degrees to go, seconds) of each move."""
    t = np.arange(round(duration_s * 1000) + 1) / 1000.0
    wish = np.zeros_like(t)
    for start, degrees, seconds in moves:
        u = np.clip((t - start) / seconds, 0.0, 1.0)
        wish += math.radians(degrees) * (u - np.sin(math.tau * u) / math.tau)
    return wish
