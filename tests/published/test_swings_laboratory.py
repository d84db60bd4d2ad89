"""Swings against published numbers and against the equations of motion, integrated.

Sources: check-values 3 (the worked head: a pendulum hung 0.1 m from its centre takes 0.752348 s, on two
threads 0.12 m apart and 0.8 m long 1.905900 s); the pendulum's period by the complete elliptic integral
(any mechanics text, from memory), by SciPy; everything else by integrating the equations with SciPy.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.special import ellipk

from sequencer.figure import masses, swings
from sequencer.units import GRAVITY_M_S2

#: The worked head: 0.5 kg, hollow sphere, about its centre and about a line 0.1 m away.
MASS = 0.5
CENTRAL = float(masses.hollow_sphere(MASS, 0.08, 0.076)[0, 0])
HUNG = CENTRAL + MASS * 0.1**2


def quarter_period(acceleration: Callable[[float, float], float], start: float) -> float:
    """Seconds from rest at ``start`` to the middle."""

    def crossing(_time: float, state: np.ndarray) -> float:
        return float(state[0])

    crossing.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        lambda _time, state: [state[1], acceleration(state[0], state[1])],
        (0.0, 100.0),
        [start, 0.0],
        events=crossing,
        rtol=1e-10,
        atol=1e-12,
    )
    return float(solved.t_events[0][0])


def test_the_worked_head_as_a_pendulum() -> None:
    assert swings.pendulum_period(HUNG, MASS, 0.1) == pytest.approx(0.752348, abs=5e-7)
    assert swings.pendulum_central(MASS, 0.1, 0.752348) == pytest.approx(CENTRAL, rel=1e-5)


def test_the_worked_head_on_two_threads() -> None:
    assert swings.bifilar_period(CENTRAL, MASS, 0.12, 0.8) == pytest.approx(1.905900, abs=5e-7)
    assert swings.bifilar_inertia(MASS, 0.12, 0.8, 1.905900) == pytest.approx(CENTRAL, rel=1e-6)


@pytest.mark.parametrize("swing_deg", [0.5, 5.0, 20.0, 45.0, 80.0])
def test_the_pendulum_integrated(swing_deg: float) -> None:
    start = math.radians(swing_deg)
    stiffness = MASS * GRAVITY_M_S2 * 0.1 / HUNG
    measured = 4.0 * quarter_period(lambda angle, _speed: -stiffness * math.sin(angle), start)
    assert swings.pendulum_period(HUNG, MASS, 0.1, start) == pytest.approx(measured, rel=1e-8)
    assert swings.pendulum_inertia(MASS, 0.1, measured, start) == pytest.approx(HUNG, rel=1e-8)
    if swing_deg >= 20.0:
        # Left uncorrected, the reading would be off by more than a hand's timing.
        assert swings.pendulum_inertia(MASS, 0.1, measured) > 1.01 * HUNG


@settings(max_examples=50)
@given(swing=st.floats(0.0, 3.0))
def test_the_factor_is_the_elliptic_integral(swing: float) -> None:
    by_integral = 2.0 / math.pi * float(ellipk(math.sin(swing / 2.0) ** 2))
    assert swings.amplitude_factor(swing) == pytest.approx(by_integral, rel=1e-12)


def threads_acceleration(apart: float, thread: float) -> Callable[[float, float], float]:
    """Twist on two threads without any approximation: the body also rises, and that has inertia too.

    Depth z = sqrt(L^2 - b^2 sin^2(angle/2)); (I + m z'^2) angle'' = m g z' - m z' z'' angle'^2.
    """

    def acceleration(angle: float, speed: float) -> float:
        depth = math.sqrt(thread**2 - (apart * math.sin(angle / 2.0)) ** 2)
        first = -(apart**2) * math.sin(angle) / (4.0 * depth)
        second = -(apart**2) * math.cos(angle) / (4.0 * depth) - first**2 / depth
        pull = MASS * GRAVITY_M_S2 * first - MASS * first * second * speed**2
        return pull / (CENTRAL + MASS * first**2)

    return acceleration


@pytest.mark.parametrize(("swing_deg", "off"), [(1.0, 1e-5), (10.0, 1e-4), (25.0, 5e-4), (40.0, 1.5e-3)])
def test_two_threads_integrated(swing_deg: float, off: float) -> None:
    start = math.radians(swing_deg)
    measured = 4.0 * quarter_period(threads_acceleration(0.12, 0.8), start)
    assert swings.bifilar_inertia(MASS, 0.12, 0.8, measured, start) == pytest.approx(CENTRAL, rel=off)
    if swing_deg >= 25.0:
        assert abs(swings.bifilar_inertia(MASS, 0.12, 0.8, measured) / CENTRAL - 1.0) > 10.0 * off


def test_a_filmed_wobble_integrated() -> None:
    """A damped spring, stepped through frame by frame: the formulas find what was put in."""
    own, ratio, frames_per_s, count = math.tau * 5.0, 0.03, 240.0, 8
    times = np.arange(0.0, 3.0, 1.0 / frames_per_s)
    solved = solve_ivp(
        lambda _time, state: [state[1], -2.0 * ratio * own * state[1] - own**2 * state[0]],
        (0.0, 3.0),
        [12.0, 0.0],
        t_eval=times,
        rtol=1e-10,
        atol=1e-12,
    )
    place = solved.y[0]
    peaks = [0, *(i for i in range(1, len(place) - 1) if place[i - 1] < place[i] >= place[i + 1])]
    frames = peaks[count] - peaks[0]
    frequency = swings.wobble_frequency(frames, frames_per_s, count)
    assert frequency == pytest.approx(5.0 * math.sqrt(1.0 - ratio**2), rel=1.0 / frames)
    damping = swings.damping_ratio(float(place[peaks[0]]), float(place[peaks[count]]), count)
    assert damping == pytest.approx(ratio, rel=0.01)


@settings(max_examples=50)
@given(friction=st.floats(0.01, 5.0), imbalance=st.floats(-3.0, 3.0), arm=st.floats(0.02, 0.3))
def test_pulls_both_ways_are_told_apart(friction: float, imbalance: float, arm: float) -> None:
    """A joint with this friction and imbalance (N m, toward positive) just moves at these pulls."""
    toward_positive = (friction - imbalance) / arm / GRAVITY_M_S2
    toward_negative = (friction + imbalance) / arm / GRAVITY_M_S2
    assert swings.pull_friction(toward_negative, toward_positive, arm) == pytest.approx(friction, rel=1e-9)
    assert swings.pull_imbalance(toward_negative, toward_positive, arm) == pytest.approx(
        imbalance, rel=1e-9, abs=1e-9
    )
