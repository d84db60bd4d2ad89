"""From wish to certified plan, and every way it refuses."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from sequencer.errors import PlanError
from sequencer.motion.certificate import certify
from sequencer.motion.peak import errors, evaluate, on_grid, peak
from sequencer.motion.plan import PLAN_SHARE, plan_track, track_problem
from sequencer.motion.scene import plan_scene
from sequencer.motion.spec import track_spec
from sequencer.timeline.model import AxisWish, Timeline


def wish_of(kind: str, seed: int, count: int, reach: float) -> np.ndarray:
    random = np.random.default_rng(seed)
    if kind == "noise":
        return reach * random.standard_normal(count)
    if kind == "steps":
        return reach * random.uniform(-1, 1, 9)[np.sort(random.integers(0, 9, count))]
    if kind == "sine":
        return reach * np.sin(np.arange(count) * random.uniform(1e-4, 0.1))
    if kind == "spikes":
        return reach * (random.uniform(0, 1, count) > 0.99)
    return np.full(count, reach * random.uniform(-1, 1))


def refusals_in_words(refusal: PlanError) -> None:
    assert all(fault.remedy and "turn" in fault.message for fault in refusal.faults)


@settings(max_examples=120, deadline=None)
@given(
    kind=st.sampled_from(["noise", "steps", "sine", "spikes", "still"]),
    seed=st.integers(0, 2**20),
    commons=st.integers(1, 25),
    reach=st.floats(0, 900),
    velocity=st.floats(5, 1500),
    acceleration=st.floats(20, 20000),
    ramp=st.floats(0.005, 1.0),
    knot_frames=st.sampled_from([None, 1, 2, 3, 6]),
    low=st.floats(-90, 0),
    width=st.floats(0.5, 120),
    home=st.floats(0, 1),
    sign=st.sampled_from([-1, 1]),
    loop=st.booleans(),
)
def test_any_wish_gives_a_certified_plan_or_a_refusal(
    make, kind, seed, commons, reach, velocity, acceleration, ramp, knot_frames, low, width, home, sign, loop
) -> None:
    """peak <= certificate max <= bound, home at both ends, the seam closed; or PlanError with words."""
    duration_s = commons * 0.12
    wish = wish_of(kind, seed, round(duration_s * 1000) + 1, math.radians(reach))
    try:
        spec = track_spec(
            make.track(low, low + width, low + home * width, us_per_deg=sign * 11.11),
            make.limits(velocity, acceleration, acceleration / ramp),
            knot_frames=knot_frames,
        )
    except PlanError as refusal:
        refusals_in_words(refusal)
        return
    plan = plan_track(spec, wish, "any", loop, duration_s)
    spans = round(duration_s / spec.knot_s)
    assert plan.points.dtype == np.int64
    assert len(plan.points) == (spans if loop else spans + 3)
    if not loop:
        assert set(plan.points[:3].tolist()) | set(plan.points[-3:].tolist()) == {spec.rest}
    proof = certify(spec, plan.points, scene="any", loop=loop)
    found = peak(spec, plan.points, loop)
    for reached, quantity in (
        (found.velocity_lsb, proof.velocity),
        (found.acceleration_lsb, proof.acceleration),
        (found.jerk_lsb, proof.jerk),
    ):
        assert reached <= quantity.max + 1e-9
        assert quantity.max <= PLAN_SHARE * quantity.bound + 1e-6  # rounding stays inside its allowance
    assert proof.position.lower <= proof.position.min <= found.min_lsb + 1e-9
    assert found.max_lsb - 1e-9 <= proof.position.max <= proof.position.bound
    t = np.linspace(0.0, duration_s, 2000)
    angle = evaluate(spec, plan.points, loop, t)
    assert found.min_rad - 1e-9 <= angle.min()
    assert angle.max() <= found.max_rad + 1e-9


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**20), loop=st.booleans())
def test_a_plan_keeps_its_limits_in_degrees_by_dense_evaluation(make, seed, loop) -> None:
    """In SI, with SciPy's spline: no integer of ours between the limit and the curve."""
    limits = make.limits(110.0, 350.0, 3500.0)
    spec = make.spec()
    plan = plan_track(spec, make.steps_wish(seed, 7.2), "s", loop, 7.2)
    values = plan.points if not loop else np.concatenate([plan.points, plan.points[:3]])
    curve = BSpline(spec.knot_s * np.arange(-3.0, len(values) + 1.0), values / spec.value_per_rad, 3)
    t = np.linspace(0.0, 7.2 - 1e-9, 20001)
    for order, limit in enumerate(
        (limits.velocity_rad_s, limits.acceleration_rad_s2, limits.jerk_rad_s3), start=1
    ):
        assert np.abs(curve.derivative(order)(t)).max() * 1.01**order <= limit


def test_the_objective_is_the_error_that_is_reported(make) -> None:
    spec = make.spec()
    wish = make.steps_wish(3, 12.0)
    plan = plan_track(spec, wish, "s", False, 12.0)
    rms, _ = errors(spec, plan.points, False, wish)
    assert plan.objective == pytest.approx(rms**2 * 12.0, rel=0.01)  # jumps cost the grid sum half a sample


def test_more_share_is_never_worse(make) -> None:
    spec = make.spec()
    wish = make.steps_wish(5, 12.0)
    full = plan_track(spec, wish, "s", False, 12.0, share=1.0)
    usual = plan_track(spec, wish, "s", False, 12.0)
    assert full.objective < usual.objective
    assert certify(spec, full.points, scene="s").acceleration.max > PLAN_SHARE * spec.bounds[1]


def test_a_spline_wish_within_tightened_limits_returns_within_one_lsb(make) -> None:
    spec = make.spec()
    wanted = plan_track(spec, make.steps_wish(7, 12.0, reach_deg=40.0), "s", False, 12.0, share=0.5).points
    t = np.arange(12001) * 1e-3
    again = plan_track(spec, evaluate(spec, wanted, False, t), "s", False, 12.0).points
    assert np.abs(again - wanted).max() <= 1
    assert np.ptp(wanted) > 1000


def test_a_loop_has_no_seam(make) -> None:
    """Starting the same loop elsewhere gives the same motion; position and slope meet at the seam."""
    spec = make.spec(knot_frames=3)
    wish = make.steps_wish(13, 9.6)
    closed = np.append(wish[:-1], wish[0])
    plan = plan_track(spec, closed, "idle", True, 9.6).points
    shifted = np.roll(closed[:-1], -2400)
    other = plan_track(spec, np.append(shifted, shifted[0]), "idle", True, 9.6).points
    assert np.abs(np.roll(other, 40) - plan).max() <= 1
    grid = on_grid(spec, plan, True)
    assert grid[0] == pytest.approx(grid[-1], abs=1e-12)


def test_a_hold_far_from_moves_is_perfectly_still(make) -> None:
    spec = make.spec()
    t = np.arange(12001) * 1e-3
    wish = np.radians(30.0) * ((t > 2.0) & (t < 9.0))
    plan = plan_track(spec, wish, "s", False, 12.0).points
    assert len(set(plan[35:60].tolist())) == 1  # 4.2 s .. 7.2 s


def test_a_home_at_the_end_of_the_range_is_no_trouble(make) -> None:
    """A closed jaw rests on its lower bound."""
    spec = track_spec(make.track(0.0, 25.0, 0.0), make.limits(220, 3500, 90000), knot_frames=2)
    assert spec.rest == spec.low
    t = np.arange(4801) * 1e-3
    wish = np.radians(25.0) * (np.sin(2 * np.pi * 4 * t) > 0) * (t < 4)
    plan = plan_track(spec, wish, "speech", False, 4.8)
    assert plan.points.max() > spec.low + 500
    still = plan_track(spec, np.zeros(4801), "still", False, 4.8).points
    assert set(still.tolist()) == {spec.rest}


def timeline_of(**axes: np.ndarray) -> Timeline:
    count = len(next(iter(axes.values())))
    wishes = {name: AxisWish(name, wish, wish) for name, wish in axes.items()}
    return Timeline("greet", (count - 1) / 1000.0, False, wishes, {}, {}, ())


def test_a_scene_plans_every_track_and_leaves_the_unmentioned_at_rest(make) -> None:
    turn = make.spec()
    nod = dataclasses.replace(make.spec(home_deg=10.0), name="nod_servo", axis="nod")
    plans = plan_scene(timeline_of(turn=make.steps_wish(1, 6.0)), {"turn": turn, "nod_servo": nod})
    assert list(plans) == ["turn", "nod_servo"]
    assert plans["turn"].scene == "greet"
    assert np.ptp(plans["turn"].points) > 100
    assert set(plans["nod_servo"].points.tolist()) == {nod.rest}


def test_all_faults_of_a_scene_come_at_once(make) -> None:
    turn, nod = make.spec(), dataclasses.replace(make.spec(), name="nod", axis="nod")
    bad = np.full(6001, np.nan)
    with pytest.raises(PlanError) as caught:
        plan_scene(timeline_of(turn=bad, nod=bad), {"turn": turn, "nod": nod})
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize(
    ("wish", "duration_s", "share", "says"),
    [
        (np.full(1201, np.nan), 1.2, PLAN_SHARE, "0.000 s"),
        (np.where(np.arange(1201) == 700, np.inf, 0.0), 1.2, PLAN_SHARE, "0.700 s"),
        (np.full(1201, 1e9), 1.2, PLAN_SHARE, "not an angle"),
        (np.zeros(1), 0.0, PLAN_SHARE, "0 s"),
        (np.zeros(0), math.nan, PLAN_SHARE, "nan s"),
        (np.zeros(1000), 1.2, PLAN_SHARE, "shape"),
        (np.zeros((1201, 2)), 1.2, PLAN_SHARE, "shape"),
        (np.zeros(1211), 1.21, PLAN_SHARE, "whole number of knots"),
        (np.zeros(1201), 1.2, 0.001, "after rounding"),
        (np.zeros(1201), -1.2, PLAN_SHARE, "-1.2 s"),
    ],
)
def test_nonsense_is_refused_in_words(make, wish, duration_s, share, says) -> None:
    with pytest.raises(PlanError) as caught:
        plan_track(make.spec(), wish, "odd", False, duration_s, share)
    assert says in str(caught.value)
    assert "track turn, scene odd" in str(caught.value)


@pytest.mark.parametrize("loop", [True, False])
def test_one_common_knot_is_a_whole_scene(make, loop) -> None:
    """0.12 s at 120 ms knots: nothing can move, and that is a plan."""
    spec = make.spec()
    plan = plan_track(spec, np.full(121, 0.3), "blink", loop, 0.12)
    if loop:
        assert plan.points.tolist() == [round(spec.value_zero + 0.3 * spec.value_per_rad)]
    else:
        assert plan.points.tolist() == [spec.rest] * 4


def test_home_outside_the_range_is_refused(make) -> None:
    spec = dataclasses.replace(make.spec(), rest=9000)
    with pytest.raises(PlanError, match="home"):
        track_problem(spec, np.zeros(1201), "s", False, 1.2)


def test_impossible_limits_name_track_quantity_time_and_remedy(make, monkeypatch) -> None:
    """What the solver cannot solve becomes words: here it is given no iterations."""
    monkeypatch.setattr("sequencer.motion.interior.MAX_ITERATIONS", 2)
    with pytest.raises(PlanError) as caught:
        plan_track(make.spec(), make.steps_wish(2, 6.0), "storm", False, 6.0)
    fault = caught.value.faults[0]
    assert fault.quantity in ("position", "velocity", "acceleration", "jerk")
    assert "turn" in fault.message
    assert "storm" in fault.message
    assert " s " in fault.message
    assert fault.remedy
