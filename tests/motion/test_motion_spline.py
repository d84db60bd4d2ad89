"""The basis, its Gram matrix and the moments, against SciPy's BSpline and quadrature."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import BSpline

from sequencer.motion.problem import TrackProblem
from sequencer.motion.spline import basis, extend, gram_bands, moments, squared_integral


def scipy_spline(points: np.ndarray) -> BSpline:
    """The same curve by SciPy; knots in units of spans, valid on [0, len - 3]."""
    return BSpline(np.arange(-3.0, len(points) + 1.0), points.astype(float), 3, extrapolate=False)


def test_basis_is_scipys_and_sums_to_one() -> None:
    u = np.linspace(0.0, 0.999, 50)
    ours = basis(u)
    for j in range(4):
        unit = np.zeros(4)
        unit[j] = 1.0
        np.testing.assert_allclose(ours[:, j], scipy_spline(unit)(u), atol=1e-14)
    np.testing.assert_allclose(ours.sum(axis=1), 1.0, atol=1e-14)


@pytest.mark.parametrize("spans", [1, 2, 3, 4, 7])
def test_gram_is_the_integral_of_products(spans: int) -> None:
    bands = gram_bands(spans)
    units = np.eye(spans + 3)
    for i in range(spans + 3):
        for j in range(i + 1):

            def product(u: float, i: int = i, j: int = j) -> float:
                return float(scipy_spline(units[i])(u) * scipy_spline(units[j])(u))

            exact = sum(quad(product, s, s + 1 - 1e-13)[0] for s in range(spans))
            ours = bands[i - j, j] if i - j <= 3 else 0.0
            assert ours == pytest.approx(exact, abs=1e-11)


@pytest.mark.parametrize(("spans", "steps"), [(1, 20), (3, 1), (5, 7), (4, 40)])
def test_moments_are_exact_for_the_piecewise_linear_wish(spans: int, steps: int) -> None:
    random = np.random.default_rng(spans)
    wish = random.standard_normal(spans * steps + 1)
    grid = np.arange(len(wish)) / steps
    ours = moments(wish, steps)
    units = np.eye(spans + 3)
    for i in range(spans + 3):

        def integrand(u: float, i: int = i) -> float:
            return float(np.interp(u, grid, wish) * scipy_spline(units[i])(u))

        exact = sum(quad(integrand, a, b - 1e-14)[0] for a, b in itertools.pairwise(grid))
        assert ours[i] == pytest.approx(exact, abs=1e-10)
    square = sum(quad(lambda u: np.interp(u, grid, wish) ** 2, a, b)[0] for a, b in itertools.pairwise(grid))
    assert squared_integral(wish, steps) == pytest.approx(square, rel=1e-9)


def test_objective_is_the_integral_of_the_squared_error() -> None:
    """Fine trapezoid on 0.05 ms against the closed form, wish linear between its samples."""
    random = np.random.default_rng(3)
    spans, steps = 6, 20
    wish = np.cumsum(random.standard_normal(spans * steps + 1)) * 20.0
    points = random.uniform(-300.0, 300.0, spans + 3)
    problem = TrackProblem(wish, steps, -400.0, 400.0, (1e3, 1e3, 1e3), (0.0,) * 3, (0.0,) * 3)
    u = np.linspace(0.0, spans, spans * steps * 400 + 1)
    error = scipy_spline(points)(np.minimum(u, spans - 1e-12)) - np.interp(
        u, np.arange(len(wish)) / steps, wish
    )
    fine = np.trapezoid(error**2, u) if hasattr(np, "trapezoid") else np.trapz(error**2, u)
    assert problem.objective(points) == pytest.approx(float(fine), rel=1e-6)


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_loops_wrap_even_when_they_are_short(count: int) -> None:
    points = np.arange(count) * 10
    wrapped = extend(points, True)
    assert len(wrapped) == count + 3
    assert [int(v) for v in wrapped] == [10 * (i % count) for i in range(count + 3)]
    assert extend(points, False) is points
