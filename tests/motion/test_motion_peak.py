"""Closed-form peaks and evaluation against SciPy's BSpline."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from sequencer.motion.model import TrackSpec
from sequencer.motion.peak import errors, evaluate, evaluate_lsb, on_grid, peak

SPEC = TrackSpec(
    "nod", "nod", "s1", 8, 20000, 3, 3, 1480, 12.25, -4321.0, -9000, 9000, (9000, 9000, 9000), 0, 0
)
POINTS = st.lists(st.integers(-9000, 9000), min_size=4, max_size=14)


def scipy_curve(points: list[int], loop: bool) -> tuple[BSpline, int]:
    """The oracle: SciPy's spline of the (wrapped) points over [0, spans]."""
    values = [points[i % len(points)] for i in range(len(points) + 3)] if loop else points
    spans = len(values) - 3
    return BSpline(np.arange(-3.0, len(values) + 1.0), np.array(values, float), 3), spans


@settings(max_examples=150, deadline=None)
@given(POINTS, st.booleans())
def test_peaks_are_what_dense_evaluation_finds(points: list[int], loop: bool) -> None:
    curve, spans = scipy_curve(points, loop)
    dense = np.linspace(0.0, spans, 400 * spans + 1)[:-1]
    dense = np.append(dense, spans - 1e-12)
    found = peak(SPEC, np.array(points), loop)
    # Each closed-form value bounds the dense one from above, by less than the grid can miss.
    position = curve(dense)
    assert position.max() <= found.max_lsb + 1e-6
    assert found.max_lsb - position.max() <= 0.2
    assert found.min_lsb <= position.min() + 1e-6
    assert position.min() - found.min_lsb <= 0.2
    for order, value in ((1, found.velocity_lsb), (2, found.acceleration_lsb), (3, found.jerk_lsb)):
        sampled = np.abs(curve.derivative(order)(dense)).max()
        assert sampled <= value * (1 + 1e-9) + 1e-6
        assert value - sampled <= value * 0.01 + 0.5
    differences = [np.abs(np.diff(curve.c[: spans + 3], m)).max() for m in (1, 2, 3)]
    assert found.velocity_lsb <= differences[0] + 1e-9
    assert found.acceleration_lsb == differences[1]
    assert found.jerk_lsb == differences[2]
    assert abs(curve.derivative(1)(min(found.velocity_time_s / SPEC.knot_s, spans - 1e-12))) == pytest.approx(
        found.velocity_lsb, rel=1e-6, abs=1e-6
    )


def test_units_of_a_peak() -> None:
    """A ramp of 100 LSB a knot on a reversed track of 4321 LSB/rad and 60 ms knots."""
    found = peak(SPEC, np.arange(10) * 100, False)
    assert found.velocity_lsb == 100.0
    assert found.velocity_rad_s == pytest.approx(100 / 4321 / 0.06)
    assert (found.acceleration_lsb, found.jerk_lsb) == (0.0, 0.0)
    assert (found.min_lsb, found.max_lsb) == (pytest.approx(100.0), pytest.approx(800.0))
    assert found.min_rad == pytest.approx((800 - 12.25) / -4321)
    assert found.max_rad == pytest.approx((100 - 12.25) / -4321)


@settings(max_examples=100, deadline=None)
@given(POINTS, st.booleans(), st.lists(st.floats(-1.0, 3.0), min_size=1, max_size=20))
def test_evaluation_is_scipys(points: list[int], loop: bool, times: list[float]) -> None:
    curve, spans = scipy_curve(points, loop)
    knots = np.array(times) / SPEC.knot_s
    inside = np.mod(knots, spans) if loop else np.clip(knots, 0.0, spans)
    expected = curve(np.minimum(inside, spans - 1e-10))
    np.testing.assert_allclose(evaluate_lsb(SPEC, np.array(points), loop, times), expected, atol=1e-3)


@pytest.mark.parametrize("loop", [True, False])
def test_the_grid_is_plain_evaluation(loop: bool) -> None:
    points = np.random.default_rng(8).integers(-2000, 2000, 23)
    grid = on_grid(SPEC, points, loop)
    spans = 23 if loop else 20
    assert len(grid) == spans * 60 + 1
    t = np.arange(len(grid)) * 1e-3
    np.testing.assert_allclose(grid, evaluate(SPEC, points, loop, t), atol=1e-10)
    if loop:
        assert grid[0] == pytest.approx(grid[-1])


def test_errors_are_rms_and_largest() -> None:
    points = np.zeros(8, np.int64)
    still = (0 - 12.25) / -4321
    asked = np.full(5 * 60 + 1, still)
    asked[100] += 0.3
    asked[200] -= 0.4
    rms, worst = errors(SPEC, points, False, asked)
    assert worst == pytest.approx(0.4)
    assert rms == pytest.approx(np.sqrt((0.09 + 0.16) / 301))
