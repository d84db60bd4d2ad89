"""Symmetries of planning, before the rounding: in time, in sign, and of what is a plan already."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import PlanError
from sequencer.motion.interior import solve
from sequencer.motion.model import TrackSpec
from sequencer.motion.peak import evaluate
from sequencer.motion.plan import plan_track, track_problem
from sequencer.motion.round import TIGHTENING
from sequencer.motion.spec import track_spec


def refusals_in_words(refusal: PlanError) -> None:
    assert all(fault.quantity and fault.remedy and "turn" in fault.message for fault in refusal.faults)


def before_rounding(spec: TrackSpec, wish: np.ndarray, loop: bool) -> np.ndarray:
    """Extended points in LSB from home."""
    problem = track_problem(spec, wish, "s", loop, (len(wish) - 1) / 1000.0)
    return solve(problem).extended - spec.rest


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**20),
    slower=st.sampled_from([(1, 2), (1, 3), (1, 6), (2, 6), (3, 6)]),
    loop=st.booleans(),
)
def test_scaling_time_and_limits_scales_the_plan(make, seed, slower, loop) -> None:
    """r times the time, and limits divided by r, r^2 and r^3: the same points, r times as far apart."""
    few, many = slower
    r = many // few
    quick = track_spec(make.track(), make.limits(400.0, 4000.0, 60000.0), knot_frames=few)
    limits = make.limits(400.0 / r, 4000.0 / r**2, 60000.0 / r**3)
    slow = track_spec(make.track(), limits, knot_frames=many)
    slow = dataclasses.replace(slow, bounds=quick.bounds)  # whole numbers of LSB, both rounded down
    assert slow.lsb_exponent == quick.lsb_exponent
    wish = make.steps_wish(seed, 2.4)
    stretched = np.interp(np.arange(2400 * r + 1) / r, np.arange(2401), wish)
    np.testing.assert_allclose(
        before_rounding(slow, stretched, loop), before_rounding(quick, wish, loop), atol=0.05
    )


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**20), frames=st.sampled_from([2, 3, 6]), loop=st.booleans())
def test_a_mirrored_wish_gives_the_mirrored_plan(make, seed, frames, loop) -> None:
    spec = track_spec(make.track(), make.limits(), knot_frames=frames)
    wish = make.steps_wish(seed, 4.8, reach_deg=100.0)
    spec = dataclasses.replace(spec, low=2 * spec.rest - spec.high, value_zero=float(spec.rest))
    np.testing.assert_allclose(
        before_rounding(spec, -wish, loop), -before_rounding(spec, wish, loop), atol=0.05
    )


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**20),
    limits=st.sampled_from([(110.0, 350.0, 3500.0, 6), (220.0, 3500.0, 90000.0, 2), (60.0, 120.0, 800.0, 6)]),
    reach=st.floats(1.0, 60.0),
    loop=st.booleans(),
)
def test_what_is_a_plan_already_returns_within_one_lsb(make, seed, limits, reach, loop) -> None:
    """Integers on the knots, within the tightened limits of a fresh plan; their spline as the wish."""
    *most, frames = limits
    spec = track_spec(make.track(), make.limits(*most), knot_frames=frames)
    share = 0.85 * (
        1.0 - max(2.0 * tight / bound for tight, bound in zip(TIGHTENING, spec.bounds, strict=True))
    )
    wanted = plan_track(spec, make.steps_wish(seed, 4.8, reach), "s", loop, 4.8, share).points
    wish = evaluate(spec, wanted, loop, np.arange(4801) * 1e-3)
    again = plan_track(spec, wish, "s", loop, 4.8).points
    assert np.abs(again - wanted).max() <= 1


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**20), more=st.floats(1.1, 4.0))
def test_wider_limits_are_never_worse(make, seed, more) -> None:
    wish = make.steps_wish(seed, 4.8)
    spec = make.spec()
    wider = dataclasses.replace(spec, bounds=tuple(int(bound * more) for bound in spec.bounds))
    objectives = [plan_track(each, wish, "s", False, 4.8).objective for each in (spec, wider)]
    assert objectives[1] <= objectives[0] * (1.0 + 1e-6)


@settings(max_examples=40, deadline=None)
@given(
    exponent=st.floats(-4.0, 3.5),
    shape=st.sampled_from(
        [(1.0, 1.0, 1.0), (1.0, 30.0, 1.0), (30.0, 1.0, 1.0), (1.0, 1.0, 1e-3), (1e-3, 1.0, 30.0)]
    ),
    seed=st.integers(0, 2**20),
    loop=st.booleans(),
)
def test_limits_over_eight_decades_give_a_plan_or_words(make, exponent, shape, seed, loop) -> None:
    """Down to limits so tight that not even home can be held after rounding."""
    size = 10.0**exponent
    limits = make.limits(*(size * each for each in (shape[0], 4.0 * shape[1], 40.0 * shape[2])))
    try:
        spec = track_spec(make.track(), limits)
        plan = plan_track(spec, make.steps_wish(seed, 2.4), "s", loop, 2.4)
    except PlanError as refusal:
        refusals_in_words(refusal)
        return
    for order, bound in enumerate(spec.bounds, start=1):
        values = plan.points if not loop else np.concatenate([plan.points, plan.points[:3]])
        assert np.abs(np.diff(values, order)).max() <= bound


def test_limits_that_cannot_hold_home_are_refused_and_named(make) -> None:
    tight = dataclasses.replace(make.spec(), bounds=(300, 2, 300))
    with pytest.raises(PlanError) as caught:
        plan_track(tight, np.zeros(2401), "s", False, 2.4)
    (fault,) = caught.value.faults
    assert fault.quantity == "acceleration"
    assert "raise the acceleration limit of axis turn" in (fault.remedy or "")


@pytest.mark.parametrize("loop", [True, False])
def test_one_step_and_nothing_else(make, loop) -> None:
    """One cue: the wish jumps once; half way is reached within a knot of when the wish jumps."""
    spec = make.spec(knot_frames=2)
    wish = np.where(np.arange(6001) < 3000, 0.0, math.radians(20.0))
    if not loop:
        wish[-1200:] = 0.0
    plan = plan_track(spec, wish, "one", loop, 6.0)
    angle = evaluate(spec, plan.points, loop, np.arange(2000, 4000) * 1e-3)
    assert abs(int(np.argmax(angle > math.radians(10.0))) - 1000) <= 41
