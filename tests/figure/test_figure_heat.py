"""The winding's first-order model: against its closed form, against a general integrator, at its limits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from sequencer.figure import heat
from sequencer.figure.model import Figure, Servo


@pytest.fixture
def servo(bust: Figure) -> Servo:
    return bust.servos["nod"]


def test_stall_current_and_heat_follow_the_voltage(bust: Figure, servo: Servo) -> None:
    """A winding is a resistance: half the voltage, half the current, a quarter of the heat (Ohm, Joule)."""
    halved = replace(bust, supply=replace(bust.supply, voltage_v=3.0))
    assert heat.stall_current_a(bust, servo) == pytest.approx(2.5)
    assert heat.stall_current_a(halved, servo) == pytest.approx(1.25)
    assert heat.stall_heat_w(halved, servo) == pytest.approx(heat.stall_heat_w(bust, servo) / 4.0)


def test_a_held_servo_warms_as_the_closed_form_says(bust: Figure, servo: Servo) -> None:
    kind = heat.thermal(servo)
    shares = np.full(4000, 0.4)
    seen = heat.winding_c(bust, servo, shares, 0.25)
    times = 0.25 * np.arange(1, 4001)
    final = kind.resistance_k_w * 0.16 * heat.stall_heat_w(bust, servo)
    assert seen == pytest.approx(bust.ambient_c + final * (1.0 - np.exp(-times / kind.time_s)), rel=1e-12)


def test_a_moving_load_against_a_general_integrator(bust: Figure, servo: Servo) -> None:
    """dT/dt = (ambient + R s(t)^2 P - T) / tau, s a step a second, by SciPy's Runge-Kutta."""
    rng = np.random.default_rng(5)
    shares = rng.uniform(-1.0, 1.0, 60)
    kind, power = heat.thermal(servo), heat.stall_heat_w(bust, servo)
    now = bust.ambient_c
    for share, expected in zip(shares, heat.winding_c(bust, servo, shares, 1.0), strict=True):
        aim = bust.ambient_c + kind.resistance_k_w * power * share**2
        solved = solve_ivp(lambda _, t, aim=aim: (aim - t) / kind.time_s, (0.0, 1.0), [now], rtol=1e-10)
        now = float(solved.y[0, -1])
        assert expected == pytest.approx(now, rel=1e-7)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(0.35, 1.0), st.floats(60.0, 120.0))
def test_time_to_a_limit_is_when_the_model_gets_there(bust: Figure, share: float, limit_c: float) -> None:
    figure, servo = bust, bust.servos["nod"]
    time_s = heat.time_to_s(figure, servo, share, limit_c)
    if math.isinf(time_s):
        assert figure.ambient_c + heat.rise_k(figure, servo, share**2) <= limit_c
    else:
        seen = heat.winding_c(figure, servo, np.full(1, share), time_s)
        assert seen[-1] == pytest.approx(limit_c, abs=1e-6)


def test_the_share_that_lasts_is_the_border(bust: Figure, servo: Servo) -> None:
    share = heat.longest_share(bust, servo)
    assert 0.0 < share < 1.0
    assert math.isinf(heat.time_to_s(bust, servo, 0.999 * share))
    assert math.isfinite(heat.time_to_s(bust, servo, 1.001 * share))
    lo, hi = heat.CONTINUOUS_SHARES
    # The typical numbers stay within what common practice says of continuous torque, 20-50 % of stall.
    assert lo <= share <= hi


def test_hot_air_leaves_no_room(bust: Figure, servo: Servo) -> None:
    baked = replace(bust, ambient_c=85.0)
    assert heat.longest_share(baked, servo) == 0.0
    assert heat.time_to_s(baked, servo) == 0.0


@pytest.mark.parametrize(("weight_kg", "size"), [(0.009, "micro"), (0.055, "standard"), (0.170, "large")])
def test_the_size_follows_the_weight(servo: Servo, weight_kg: float, size: str) -> None:
    assert heat.thermal(replace(servo, weight_kg=weight_kg)).size == size


@pytest.mark.parametrize(
    ("time_s", "words"), [(0.4, "1 s"), (7.2, "7 s"), (23.4, "25 s"), (118.0, "120 s"), (250.0, "4 min")]
)
def test_times_promise_no_more_than_they_hold(time_s: float, words: str) -> None:
    assert heat.rounded_s(time_s) == words
