"""The banded interior point method against clarabel on the same programme, and its edge cases."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.motion.ends import SHORTEST_BORDERED
from sequencer.motion.interior import NoConvergenceError, solve
from sequencer.motion.problem import TrackProblem


def random_problem(seed: int) -> TrackProblem:
    """A programme with limits that bind: jumping poses, sines or noise, rest ends or a loop."""
    random = np.random.default_rng(seed)
    spans = int(random.integers(7, 400)) if seed % 5 else int(random.integers(4, 9))
    steps = int(random.choice([1, 20, 40, 60, 120]))
    count = spans * steps + 1
    half = float(random.uniform(200.0, 8000.0))
    kind = seed % 3
    t = np.arange(count) / steps
    if kind == 0:
        wish = half * random.uniform(-1.3, 1.3, spans + 2)[np.floor(t / random.uniform(2, 15)).astype(int)]
    elif kind == 1:
        wish = half * np.sin(t * random.uniform(0.05, 1.5) + random.uniform(0, 6)) * random.uniform(0.2, 1.5)
    else:
        wish = np.clip(np.cumsum(random.standard_normal(count)) * half / 20.0, -1.5 * half, 1.5 * half)
    jerk = float(random.uniform(15.0, 900.0))
    bounds = (jerk * random.uniform(1.0, 20.0), jerk * random.uniform(0.6, 4.0), jerk)
    middle = float(random.uniform(-3000.0, 3000.0))
    rest = round(middle + half * random.uniform(-1.0, 1.0))
    low, high = float(np.floor(middle - half)), float(np.ceil(middle + half))
    fixed = (float(rest),) * 3 if seed % 2 else None
    return TrackProblem(wish + middle, steps, low, high, bounds, fixed, fixed)


@pytest.mark.parametrize("seed", range(30))
def test_as_good_as_clarabel_and_within_every_limit(peer, seed: int) -> None:
    problem = random_problem(seed)
    ours = solve(problem)
    assert peer.worst_violation(problem, ours.extended) <= 1e-9
    assert problem.unknowns > 0
    theirs = problem.objective(peer.clarabel_runner(problem, 1e-11)())
    # Where the wish can be followed the optimum is zero; there 1e-3 LSB RMS is the yardstick.
    assert abs(ours.objective - theirs) <= 1e-6 * theirs + 1e-6 * problem.spans
    assert ours.objective == pytest.approx(problem.objective(ours.extended), rel=1e-12)


def test_the_random_problems_are_hard_enough() -> None:
    """Otherwise the comparison above would compare least squares: limits bind in most of them."""
    binding = 0
    for seed in range(30):
        problem = random_problem(seed)
        points = solve(problem).extended
        binding += any(
            np.mean(np.abs(np.diff(points, m)) > 0.999 * b) > 0.05
            for m, b in enumerate(problem.bounds, start=1)
        )
    assert binding >= 20


@pytest.mark.parametrize("spans", [*range(1, SHORTEST_BORDERED + 3)])
@pytest.mark.parametrize("loop", [True, False])
def test_short_problems(peer, spans: int, loop: bool) -> None:
    """Down to one span: nothing free between fixed ends, a single point in a loop."""
    wish = np.linspace(-50.0, 400.0, spans * 10 + 1)
    fixed = None if loop else (30.0, 30.0, 30.0)
    problem = TrackProblem(wish, 10, -300.0, 300.0, (60.0, 40.0, 30.0), fixed, fixed)
    ours = solve(problem)
    assert len(ours.extended) == spans + 3
    assert peer.worst_violation(problem, ours.extended) <= 1e-9
    if loop and spans == 1:
        # One point means a still figure: the mean of the wish.
        np.testing.assert_allclose(ours.extended, wish.mean(), atol=1e-4)
    if problem.unknowns:
        theirs = problem.objective(peer.clarabel_runner(problem, 1e-11)())
        assert ours.objective == pytest.approx(theirs, rel=1e-6)
    else:
        np.testing.assert_array_equal(ours.extended, 30.0)


@pytest.mark.parametrize("loop", [True, False])
@pytest.mark.parametrize("level", [-300.0, 0.0, 123.456, 300.0])
def test_a_constant_wish_stays_constant(level: float, loop: bool) -> None:
    fixed = None if loop else (level,) * 3
    problem = TrackProblem(np.full(401, level), 20, -300.0, 300.0, (60.0, 40.0, 30.0), fixed, fixed)
    np.testing.assert_allclose(solve(problem).extended, level, atol=2e-3)


@pytest.mark.parametrize("level", [1e3, -1e5, 1e7])
def test_a_wish_out_of_range_gets_the_nearest_end(level: float) -> None:
    problem = TrackProblem(np.full(401, level), 20, -300.0, 300.0, (60.0, 40.0, 30.0))
    np.testing.assert_allclose(solve(problem).extended, np.copysign(300.0, level), atol=2e-3)


def test_a_spline_within_the_limits_is_found_again() -> None:
    random = np.random.default_rng(5)
    spans, steps = 60, 30
    inner = np.cumsum(np.cumsum(random.uniform(-1, 1, spans - 3)))
    points = np.concatenate([[0.0] * 3, inner * np.hanning(spans - 3), [0.0] * 3])
    u = np.arange(spans * steps + 1) / steps
    from scipy.interpolate import BSpline

    wish = BSpline(np.arange(-3.0, spans + 4.0), points, 3)(np.minimum(u, spans - 1e-12))
    bounds = tuple(1.5 * float(np.abs(np.diff(points, m)).max()) for m in (1, 2, 3))
    reach = 1.5 * float(np.abs(points).max())
    problem = TrackProblem(wish, steps, -reach, reach, bounds, (0.0,) * 3, (0.0,) * 3)
    # The wish is linear between its samples, so the spline comes back within the chords' height.
    np.testing.assert_allclose(solve(problem).extended, points, atol=0.02)


@pytest.mark.parametrize("loop", [True, False])
def test_mirrored_and_reversed_wishes_give_mirrored_and_reversed_plans(loop: bool) -> None:
    random = np.random.default_rng(11)
    wish = 250.0 * np.repeat(random.uniform(-1, 1, 20), 40)
    wish = np.append(wish, wish[0])
    fixed = None if loop else (0.0,) * 3

    def plan(values: np.ndarray) -> np.ndarray:
        return solve(TrackProblem(values, 10, -300.0, 300.0, (60.0, 20.0, 12.0), fixed, fixed)).extended

    straight = plan(wish)
    np.testing.assert_allclose(plan(-wish), -straight, atol=1e-2)
    np.testing.assert_allclose(plan(wish[::-1]), straight[::-1], atol=1e-2)


def test_shifting_a_loop_shifts_its_plan() -> None:
    """The seam is nowhere special."""
    random = np.random.default_rng(4)
    wish = 250.0 * np.repeat(random.uniform(-1, 1, 12), 40)

    def plan(values: np.ndarray) -> np.ndarray:
        closed = np.append(values, values[0])
        return solve(TrackProblem(closed, 10, -300.0, 300.0, (60.0, 20.0, 12.0))).extended[:-3]

    np.testing.assert_allclose(plan(np.roll(wish, 170)), np.roll(plan(wish), 17), atol=1e-2)


def test_contradicting_ends_do_not_converge() -> None:
    """From 0 to 300 in ten spans, 12 a span at most: no plan, and the row is named."""
    problem = TrackProblem(np.zeros(101), 10, -400.0, 400.0, (12.0, 12.0, 12.0), (0.0,) * 3, (300.0,) * 3)
    with pytest.raises(NoConvergenceError) as caught:
        solve(problem)
    assert 0 <= caught.value.order <= 3
    assert 0 <= caught.value.row < 13


def test_a_little_jerk_weight_makes_a_smoother_plan() -> None:
    random = np.random.default_rng(2)
    wish = np.append(0.0, np.cumsum(random.standard_normal(1200)))
    plain = TrackProblem(wish, 20, -900.0, 900.0, (300.0, 200.0, 300.0))
    smooth = TrackProblem(wish, 20, -900.0, 900.0, (300.0, 200.0, 300.0), jerk_weight=0.5)

    def roughness(problem: TrackProblem) -> float:
        return float(np.sum(np.diff(solve(problem).extended, 3) ** 2))

    assert roughness(smooth) < 0.9 * roughness(plain)
