"""The planner against published fastest moves and motion laws, and against the ruckig library.

Sources: fastest jerk-limited move, Biagiotti & Melchiorri 2008, section 3.4 (from memory; the table's
numbers were cross-checked with ruckig). Peak factors: Norton, *Design of Machinery*, cam chapter, and
VDI 2143 (from memory, cross-checked).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import ruckig

from sequencer.motion.interior import NoConvergenceError, solve
from sequencer.motion.problem import TrackProblem

#: Distance in LSB for these scale-free problems.
FAR = 1e4
SAMPLES = 100


def reachable(spans: int, knot_s: float, d: float, limits: tuple[float, float, float]) -> bool:
    """Whether a rest-to-rest move of ``d`` fits into ``spans`` knots, planning a step wish."""
    bounds = tuple(FAR / d * limit * knot_s**m for m, limit in enumerate(limits, start=1))
    wish = np.where(np.arange(spans + 1) < spans / 2, 0.0, FAR)
    try:
        solve(TrackProblem(wish, 1, -0.5 * FAR, 1.5 * FAR, bounds, (0.0,) * 3, (FAR,) * 3))
    except NoConvergenceError:
        return False
    return True


def fastest_s(knot_s: float, d: float, limits: tuple[float, float, float]) -> float:
    """Shortest duration for which the planner finds a motion, by bisection over whole knots."""
    low, high = 1, 4
    while not reachable(high, knot_s, d, limits):
        low, high = high, 2 * high
        assert high <= 8 * SAMPLES, "no duration is long enough"
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reachable(middle, knot_s, d, limits) else (middle, high)
    return high * knot_s


def ruckig_s(d: float, limits: tuple[float, float, float]) -> float:
    """Duration of ruckig's move."""
    move = ruckig.InputParameter(1)
    move.current_position, move.current_velocity, move.current_acceleration = [0.0], [0.0], [0.0]
    move.target_position, move.target_velocity, move.target_acceleration = [d], [0.0], [0.0]
    move.max_velocity, move.max_acceleration, move.max_jerk = ([limit] for limit in limits)
    trajectory = ruckig.Trajectory(1)
    result = ruckig.Ruckig(1).calculate(move, trajectory)
    assert result in (ruckig.Result.Working, ruckig.Result.Finished)
    return float(trajectory.duration)


@pytest.mark.parametrize(
    ("d", "limits", "duration_s"),
    [
        (10.0, (5.0, 10.0, 30.0), 2.833333333),
        (10.0, (10.0, 10.0, 30.0), 2.360920843),
        (10.0, (5.0, 100.0, 30.0), 2.816496581),
        (60.0, (300.0, 2000.0, 40000.0), 0.400),
        (1.0, (300.0, 2000.0, 40000.0), 0.092831777),
        (90.0, (200.0, 4000.0, 20000.0), 0.650),
    ],
)
def test_published_durations(d: float, limits: tuple[float, float, float], duration_s: float) -> None:
    """Within two samples of the closed form (Biagiotti & Melchiorri 2008, 3.4, from memory)."""
    knot_s = duration_s / SAMPLES
    ours = fastest_s(knot_s, d, limits)
    assert abs(ours - duration_s) <= 2.0 * knot_s
    assert ours >= duration_s - 1e-9  # never faster than the fastest


@pytest.mark.parametrize("seed", range(30))
def test_fastest_move_equals_ruckigs(seed: int) -> None:
    random = np.random.default_rng(seed)
    acceleration = 10.0 ** random.uniform(1.0, 4.0)
    limits = (
        acceleration * random.uniform(0.05, 2.0),
        acceleration,
        acceleration / random.uniform(0.02, 0.5),
    )
    d = 10.0 ** random.uniform(-1.0, 2.0)
    expected = ruckig_s(d, limits)
    knot_s = expected / SAMPLES
    assert abs(fastest_s(knot_s, d, limits) - expected) <= 2.0 * knot_s


LAWS = {
    # name: (law, peak v, peak a, peak j), unit rise in unit time
    "3-4-5 polynomial": (lambda u: u**3 * (10 - 15 * u + 6 * u * u), 1.875, 10 / math.sqrt(3), 60.0),
    "4-5-6-7 polynomial": (
        lambda u: u**4 * (35 - 84 * u + 70 * u**2 - 20 * u**3),
        2.1875,
        84 * math.sqrt(5) / 25,
        52.5,
    ),
    "cycloidal": (lambda u: u - np.sin(2 * np.pi * u) / (2 * np.pi), 2.0, 2 * np.pi, 4 * np.pi**2),
}


@pytest.mark.parametrize("name", LAWS)
def test_smooth_laws_pass_through_with_their_peak_factors(name: str) -> None:
    """A wish that is a known law, loose limits, fine knots: the plan has the law's peaks."""
    law, peak_v, peak_a, peak_j = LAWS[name]
    spans, steps, margin = 200, 20, 20
    u = np.arange((spans + 2 * margin) * steps + 1) / (spans * steps) - margin / spans
    wish = FAR * law(np.clip(u, 0.0, 1.0))
    problem = TrackProblem(wish, steps, -FAR, 2 * FAR, (FAR, FAR, FAR), head=(0.0,) * 3, tail=(FAR,) * 3)
    points = solve(problem).extended
    peaks = [float(np.abs(np.diff(points, m)).max()) * spans**m / FAR for m in (1, 2, 3)]
    assert peaks[0] == pytest.approx(peak_v, rel=1e-3)
    assert peaks[1] == pytest.approx(peak_a, rel=5e-3)
    # Jerk steps at the law's ends (but not of 4-5-6-7); a spline may overshoot a step a little.
    assert peaks[2] == pytest.approx(peak_j, rel=0.02 if name.startswith("4") else 0.15)


def test_worked_3_4_5_example() -> None:
    """60 deg in 0.4 s by 3-4-5: 281.25 deg/s, 2165.06 deg/s2 (check computed from the law)."""
    law = LAWS["3-4-5 polynomial"][0]
    knot_s, spans, margin = 0.002, 200, 20
    u = np.arange((spans + 2 * margin) * 2 + 1) / (spans * 2) - margin / spans
    wish = 60.0 * law(np.clip(u, 0.0, 1.0))
    problem = TrackProblem(wish * 100, 2, -1e4, 1e4, (1e4, 1e4, 1e4), (0.0,) * 3, (6000.0,) * 3)
    points = solve(problem).extended / 100
    assert np.abs(np.diff(points)).max() / knot_s == pytest.approx(281.25, rel=1e-3)
    assert np.abs(np.diff(points, 2)).max() / knot_s**2 == pytest.approx(2165.06, rel=5e-3)
