"""The integer proof: what it accepts, what it refuses, how certificates merge."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import PlanError
from sequencer.motion.certificate import certify, merge
from sequencer.motion.model import TrackSpec
from sequencer.motion.peak import evaluate_lsb
from sequencer.motion.round import SETTLE_LSB, TIGHTENING, round_points

SPEC = TrackSpec("jaw", "jaw", "s3", 10, 20000, 2, 3, 1500, 0.0, 5000.0, -500, 800, (100, 60, 50), 0, 0)


def brute_force(points: list[int], loop: bool) -> list[int]:
    """Hull values by plain Python, one difference at a time."""
    values = list(points)
    if loop:
        values = [points[i % len(points)] for i in range(len(points) + 3)]
    out = []
    for _ in range(3):
        values = [b - a for a, b in itertools.pairwise(values)]
        out.append(max(abs(v) for v in values))
    return out


@settings(deadline=None)
@given(st.lists(st.integers(-500, 800), min_size=4, max_size=12), st.booleans())
def test_it_holds_exactly_when_every_integer_inequality_does(points: list[int], loop: bool) -> None:
    sizes = brute_force(points, loop)
    if all(size <= bound for size, bound in zip(sizes, SPEC.bounds, strict=True)):
        proof = certify(SPEC, np.array(points), scene="a", loop=loop)
        assert [proof.velocity.max, proof.acceleration.max, proof.jerk.max] == sizes
        assert (proof.position.min, proof.position.max) == (min(points), max(points))
    else:
        with pytest.raises(PlanError):
            certify(SPEC, np.array(points), scene="a", loop=loop)


@settings(deadline=None)
@given(st.lists(st.integers(-12, 12), min_size=3, max_size=30), st.booleans())
def test_proven_points_mean_a_curve_within_the_bounds(steps: list[int], loop: bool) -> None:
    """Dense finite differences of the curve itself, not of its points."""
    points = np.cumsum(np.cumsum([0, *steps])) % 60
    try:
        certify(SPEC, points, scene="a", loop=loop)
    except PlanError:
        return
    knot, fine = SPEC.knot_s, 1e-3
    spans = len(points) if loop else len(points) - 3
    t = np.arange(round(spans * knot / fine) + 1) * fine
    value = evaluate_lsb(SPEC, points, loop, t)
    assert value.min() >= SPEC.low - 1e-9
    assert value.max() <= SPEC.high + 1e-9
    for order, bound in enumerate(SPEC.bounds[:2], start=1):
        mean = np.abs(np.diff(value, order)).max() / (fine / knot) ** order
        assert mean <= bound + 1e-4


@pytest.mark.parametrize("order", [1, 2, 3])
@pytest.mark.parametrize("row", [0, 7])
def test_each_bound_is_tight_to_one_lsb_and_named(order: int, row: int) -> None:
    """A curve whose one worst difference is exactly at the bound passes; one more is refused."""
    difference = np.zeros(16 - order, np.int64)
    spec = TrackSpec(**{**vars(SPEC), "low": -30000, "high": 30000, "bounds": (30000, 30000, 30000)})
    tight = [30000, 30000, 30000]
    difference[row] = tight[order - 1] = 40
    points = difference
    for _ in range(order):
        points = np.concatenate([[0], np.cumsum(points)])
    spec = TrackSpec(**{**vars(spec), "bounds": tuple(tight)})
    assert [*brute_force(points.tolist(), False)][order - 1] == 40
    certify(spec, points, scene="storm")
    tight[order - 1] = 39
    spec = TrackSpec(**{**vars(spec), "bounds": tuple(tight)})
    with pytest.raises(PlanError) as caught:
        certify(spec, points, scene="storm")
    fault = caught.value.faults[0]
    assert fault.quantity == ("velocity", "acceleration", "jerk")[order - 1]
    assert "jaw" in fault.message
    assert "storm" in fault.message
    assert fault.remedy
    time_s = float(fault.message.split(" at ")[1].split(" s")[0])
    assert abs(time_s - row * spec.knot_s) <= 1.0 * spec.knot_s


@pytest.mark.parametrize("value", [-501, 801])
def test_position_is_refused_outside_the_range(value: int) -> None:
    with pytest.raises(PlanError) as caught:
        certify(SPEC, np.full(8, value), scene="a", loop=True)
    assert caught.value.faults[0].quantity == "position"


def test_the_seam_of_a_loop_counts() -> None:
    ramp = np.arange(0, 320, 20)
    assert certify(SPEC, ramp, scene="a").velocity.max == 20
    with pytest.raises(PlanError):
        certify(SPEC, ramp, scene="a", loop=True)


def test_fixed_neighbours_count() -> None:
    ramp = np.arange(0, 320, 20)
    assert certify(SPEC, ramp, scene="a", before=(-40, -20), after=(320,)).jerk.max == 0
    with pytest.raises(PlanError):
        certify(SPEC, ramp, scene="a", before=(90, 90, 90))
    with pytest.raises(PlanError):
        certify(SPEC, ramp, scene="a", after=(0,))


@pytest.mark.parametrize(
    "points", [np.zeros(8), np.zeros((2, 4), np.int64), np.zeros(3, np.int64), np.zeros(0, np.int64)]
)
def test_what_is_no_track_is_refused(points: np.ndarray) -> None:
    with pytest.raises(PlanError):
        certify(SPEC, points, scene="a")


def test_merge_keeps_the_worst_of_each_and_its_scene() -> None:
    slow = certify(SPEC, np.arange(0, 300, 10), scene="slow")
    shaky = certify(SPEC, np.array([0, 5, 0, 5, 0, 5, 0, 5]), scene="shaky")
    low = certify(SPEC, np.full(8, -490), scene="low")
    both = merge([slow, shaky, low])
    assert (both.velocity.max, both.velocity.scene) == (10, "slow")
    assert (both.acceleration.max, both.acceleration.scene) == (10, "shaky")
    assert (both.jerk.max, both.jerk.scene) == (20, "shaky")
    assert (both.position.min, both.position.max, both.position.scene) == (-490, 290, "low")
    with pytest.raises(ValueError):
        merge([slow, certify(TrackSpec(**{**vars(SPEC), "name": "nod"}), np.arange(9), scene="x")])


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-500, 800), min_size=4, max_size=30))
def test_rounding_keeps_the_box_and_what_tightening_promises(values: list[float]) -> None:
    real = np.array(values)
    whole = round_points(real)
    assert whole.min() >= -500
    assert whole.max() <= 800
    assert np.abs(whole - real).max() <= 0.5 + SETTLE_LSB / 2 + 1e-12
    for order, tight in enumerate(TIGHTENING, start=1):
        assert np.abs(np.diff(whole, order) - np.diff(real, order)).max() <= tight + 1e-9


@pytest.mark.parametrize("level", [100.5, -100.5, 0.5])
def test_solver_noise_about_a_half_leaves_a_hold_still(level: float) -> None:
    noise = np.random.default_rng(1).uniform(-4e-4, 4e-4, 200)
    assert len(set(round_points(level + noise).tolist())) == 1
