"""Inertia of the shapes a builder can measure with a ruler, and the rule for moving the axis.

Formulas: any handbook of mechanics (check-values 3). Tensors are 3x3 float arrays in kg m^2, about
the centre of mass, in the figure's frame (x forward, y left, z up); shapes stand square to it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def box(mass_kg: float, size_m: tuple[float, float, float]) -> Array:
    """Solid box with edges ``size_m``: Ixx = m (y^2 + z^2) / 12."""
    x2, y2, z2 = (edge * edge for edge in size_m)
    return np.diag([y2 + z2, x2 + z2, x2 + y2]) * (mass_kg / 12.0)


def sphere(mass_kg: float, radius_m: float) -> Array:
    """Solid ball: 2/5 m r^2."""
    return np.eye(3) * (0.4 * mass_kg * radius_m**2)


def hollow_sphere(mass_kg: float, outer_m: float, inner_m: float) -> Array:
    """Ball with a concentric hole, radii ``outer_m`` > ``inner_m``: 2/5 m (Ro^5 - Ri^5) / (Ro^3 - Ri^3).

    A wall of no thickness gives the thin shell's 2/3 m r^2. The quotient is written without its
    common factor Ro - Ri, so a thin wall loses no digits.
    """
    fifth = sum(outer_m**k * inner_m ** (4 - k) for k in range(5))
    third = sum(outer_m**k * inner_m ** (2 - k) for k in range(3))
    return np.eye(3) * (0.4 * mass_kg * fifth / third)


def ellipsoid(mass_kg: float, semi_axes_m: tuple[float, float, float]) -> Array:
    """Solid ellipsoid with half axes a, b, c: Ixx = m (b^2 + c^2) / 5."""
    a2, b2, c2 = (half * half for half in semi_axes_m)
    return np.diag([b2 + c2, a2 + c2, a2 + b2]) * (mass_kg / 5.0)


def cylinder(mass_kg: float, radius_m: float, length_m: float, along: int) -> Array:
    """Solid cylinder whose axis is coordinate ``along`` (0, 1, 2): m r^2/2 and m (3 r^2 + h^2)/12."""
    moments = np.full(3, mass_kg * (3.0 * radius_m**2 + length_m**2) / 12.0)
    moments[along] = mass_kg * radius_m**2 / 2.0
    return np.diag(moments)


def about_line(tensor: Array, mass_kg: float, arm_m: Array, direction: Array) -> Array:
    """Moments of inertia about lines, (n,): u' I u + m d^2, d the distance of the centre from the line.

    ``arm_m`` (n, 3) leads from any point of the line to the centre of mass, ``direction`` (n, 3) are
    unit vectors along it, both in the frame of ``tensor`` (parallel axis rule).
    """
    moment = np.cross(arm_m, direction)
    about: Array = np.einsum("ni,ij,nj->n", direction, tensor, direction)
    about += mass_kg * np.einsum("ni,ni->n", moment, moment)
    return about
