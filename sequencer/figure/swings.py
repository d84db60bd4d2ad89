"""What a swing, a pull and a filmed wobble tell: closed formulas of textbook mechanics, all in SI.

Sources: physical pendulum and two-thread hang as in any mechanics laboratory manual (check-values 3);
the finite amplitude through the arithmetic-geometric mean (Gauss); logarithmic decrement as in any
text on vibration. Nothing here knows of files, units of a builder or uncertainties.
"""

from __future__ import annotations

import math

from sequencer.units import GRAVITY_M_S2


def amplitude_factor(swing_rad: float) -> float:
    """Period at an amplitude of ``swing_rad`` to each side, over the period of the smallest swings.

    1 / agm(1, cos(swing/2)), exact for a pendulum: 1.00431 at 15 deg. ``swing_rad`` within 0..pi (not pi).
    """
    one, other = 1.0, math.cos(swing_rad / 2.0)
    while abs(one - other) > 1e-15 * one:
        one, other = (one + other) / 2.0, math.sqrt(one * other)
    return 1.0 / one


def pendulum_inertia(mass_kg: float, arm_m: float, period_s: float, swing_rad: float = 0.0) -> float:
    """Inertia about the line it hangs from, kg m^2: m g d T^2 / (4 pi^2), T brought to small swings."""
    small_s = period_s / amplitude_factor(swing_rad)
    return mass_kg * GRAVITY_M_S2 * arm_m * (small_s / math.tau) ** 2


def pendulum_central(mass_kg: float, arm_m: float, period_s: float, swing_rad: float = 0.0) -> float:
    """Inertia about the parallel line through the centre of mass: the parallel axis taken off."""
    return pendulum_inertia(mass_kg, arm_m, period_s, swing_rad) - mass_kg * arm_m**2


def pendulum_period(hung_kg_m2: float, mass_kg: float, arm_m: float, swing_rad: float = 0.0) -> float:
    """Seconds of one whole swing of a body with inertia ``hung_kg_m2`` about the line it hangs from."""
    small_s = math.tau * math.sqrt(hung_kg_m2 / (mass_kg * GRAVITY_M_S2 * arm_m))
    return small_s * amplitude_factor(swing_rad)


def bifilar_inertia(
    mass_kg: float, apart_m: float, thread_m: float, period_s: float, swing_rad: float = 0.0
) -> float:
    """Inertia about the vertical through the centre of mass: m g b^2 T^2 / (16 pi^2 L).

    Two equal upright threads of ``thread_m``, ``apart_m`` from each other, the centre of mass midway
    between them. The twist's amplitude is corrected as a pendulum's; what that leaves out (the rise of
    the body, the slant of the threads) is of the order (b/L)^2 sin^2(swing) / 16.
    """
    small_s = period_s / amplitude_factor(swing_rad)
    return mass_kg * GRAVITY_M_S2 * apart_m**2 * small_s**2 / (16.0 * math.pi**2 * thread_m)


def bifilar_period(
    central_kg_m2: float, mass_kg: float, apart_m: float, thread_m: float, swing_rad: float = 0.0
) -> float:
    """Seconds of one whole twist of a body hung on two threads (see :func:`bifilar_inertia`)."""
    small_s = 4.0 * math.pi * math.sqrt(central_kg_m2 * thread_m / (mass_kg * GRAVITY_M_S2)) / apart_m
    return small_s * amplitude_factor(swing_rad)


def pull_friction(negative_kg: float, positive_kg: float, arm_m: float) -> float:
    """Friction torque, N m: half the sum of the pulls that just move a joint both ways."""
    return (negative_kg + positive_kg) / 2.0 * GRAVITY_M_S2 * arm_m


def pull_imbalance(negative_kg: float, positive_kg: float, arm_m: float) -> float:
    """Torque toward the positive side that gravity and springs give by themselves: half the difference."""
    return (negative_kg - positive_kg) / 2.0 * GRAVITY_M_S2 * arm_m


def wobble_frequency(frames: float, frames_per_s: float, swings: float) -> float:
    """Hertz of a filmed wobble: ``swings`` whole swings in ``frames``."""
    return swings * frames_per_s / frames


def damping_ratio(first: float, last: float, swings: float) -> float:
    """Share of critical damping from two amplitudes ``swings`` whole swings apart (first > last > 0)."""
    decrement = math.log(first / last) / swings
    return decrement / math.hypot(math.tau, decrement)
