"""A crank that holds a rod's end at a given place: the triangle that every linkage here is made of.

A crank of length a turns about the origin of its plane; a rod of length s joins its tip to the point
(x, y), which may also stand ``off`` the plane (off = z):
a^2 + x^2 + y^2 + z^2 - s^2 = 2 a (x cos t + y sin t), so t = atan2(y, x) +- acos(reach) with
reach = (a^2 + x^2 + y^2 + z^2 - s^2) / (2 a hypot(x, y)).
Beyond |reach| = 1 the rod is too short or too long; at it crank and rod are in line: a toggle.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def wrapped(angle_rad: Array) -> Array:
    """Angles brought into [-pi, pi]."""
    turned: Array = np.remainder(angle_rad + math.pi, math.tau) - math.pi
    return turned


def reach(crank_m: float, rod_m: float, x_m: Array, y_m: Array, off_m: Array | float = 0.0) -> Array:
    """The cosine between the crank and the direction of (x, y), any shape; no closure beyond +-1.

    Raises nothing: a rod end in the crank's axle gives infinity or NaN.
    """
    square = x_m**2 + y_m**2
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine: Array = (crank_m**2 + square + off_m**2 - rod_m**2) / (2.0 * crank_m * np.sqrt(square))
    return cosine


def crank_rad(
    crank_m: float, rod_m: float, x_m: Array, y_m: Array, side: float, off_m: Array | float = 0.0
) -> Array:
    """The crank's angle for rod ends (x, y), any shape, in [-pi, pi]; NaN where the rod cannot reach.

    ``side`` +1 or -1 chooses between the two: counterclockwise or clockwise of the rod end's direction.
    """
    with np.errstate(invalid="ignore"):
        opened = np.arccos(reach(crank_m, rod_m, x_m, y_m, off_m))
    return wrapped(np.arctan2(y_m, x_m) + side * opened)


def nearer_side(
    crank_m: float, rod_m: float, x_m: float, y_m: float, wanted_rad: float, off_m: float = 0.0
) -> float:
    """The side (+1 or -1) whose crank angle is nearer to ``wanted_rad``; +1 where the rod cannot reach."""
    x, y = np.array([x_m]), np.array([y_m])
    away = [
        abs(float(wrapped(crank_rad(crank_m, rod_m, x, y, side, off_m) - wanted_rad)[0]))
        for side in (1.0, -1.0)
    ]
    return -1.0 if away[1] < away[0] else 1.0
