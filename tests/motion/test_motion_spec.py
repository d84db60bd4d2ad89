"""From limits to integers."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import PlanError
from sequencer.motion.spec import SMALLEST_BOUNDS, choose_knot_frames, choose_lsb_exponent, track_spec


@pytest.mark.parametrize(
    ("ramp_ms", "frames"),
    [(10, 1), (30, 1), (59.9, 1), (60, 2), (89, 2), (90, 3), (179, 3), (180, 6), (1000, 6)],
)
def test_knots_follow_the_jerk_phase(ramp_ms: float, frames: int) -> None:
    assert choose_knot_frames(ramp_ms / 1000.0, 0.02) == frames


@pytest.mark.parametrize(
    ("jerk_us", "exponent"), [(1000.0, 2), (100.0, 2), (99.9, 3), (50.0, 3), (25.0, 4), (12.5, 5), (1.0, 5)]
)
def test_resolution_is_the_coarsest_that_spends_one_per_cent_of_jerk(jerk_us: float, exponent: int) -> None:
    assert choose_lsb_exponent(jerk_us) == exponent


def test_worked_example(make) -> None:
    """turn of motion-notes, by hand: 11.11 us/deg, H = 0.12 s, J H^3 = 67.19 us -> 1/8 us."""
    spec = track_spec(make.track(), make.limits(), knot_frames=6)
    assert spec.lsb_exponent == 3
    assert spec.origin_us == 1500
    assert (spec.low, spec.high) == (-7110, 7110)  # 888.8 us is 7110.4 LSB, inward
    assert spec.bounds == (
        math.floor(110 * 11.11 * 0.12 * 8 / 1.01),
        math.floor(350 * 11.11 * 0.12**2 * 8 / 1.01**2),
        math.floor(3500 * 11.11 * 0.12**3 * 8 / 1.01**3),
    )
    assert spec.rest == 0
    assert spec.knot_s == pytest.approx(0.12)


def has_remedy(refusal: PlanError) -> None:
    assert refusal.faults[0].remedy


@settings(deadline=None)
@given(
    velocity=st.floats(20, 800),
    acceleration=st.floats(100, 10000),
    ramp=st.floats(0.01, 0.5),
    low=st.floats(-90, -1),
    high=st.floats(1, 90),
    sign=st.sampled_from([-1, 1]),
    error=st.floats(0, 0.05),
)
def test_integers_round_inward(make, velocity, acceleration, ramp, low, high, sign, error) -> None:
    """An integer at its bound means a limit that holds, even on a clock that is ``error`` fast."""
    limits = make.limits(velocity, acceleration, acceleration / ramp)
    track = make.track(low, high, us_per_deg=11.11 * sign)
    try:
        spec = track_spec(track, limits, clock_error=error)
    except PlanError as refusal:
        has_remedy(refusal)
        return
    per_rad = abs(spec.value_per_rad)
    for order, (bound, limit, least) in enumerate(
        zip(
            spec.bounds,
            (limits.velocity_rad_s, limits.acceleration_rad_s2, limits.jerk_rad_s3),
            SMALLEST_BOUNDS,
            strict=True,
        ),
        start=1,
    ):
        assert least <= bound <= 32767
        assert bound / per_rad * ((1 + error) / spec.knot_s) ** order <= limit * (1 + 1e-9)
    assert -32768 <= spec.low <= spec.rest <= spec.high <= 32767
    assert spec.origin_us + spec.low * spec.lsb_us >= track.low_us - 1e-6
    assert spec.origin_us + spec.high * spec.lsb_us <= track.high_us + 1e-6
    assert math.copysign(1, spec.value_per_rad) == sign
    zero_us = spec.origin_us + spec.value_zero * spec.lsb_us
    assert zero_us == pytest.approx(track.zero_us)


@pytest.mark.parametrize(
    ("limits", "quantity"),
    [
        ((110.0, 350.0, 5.0), "jerk"),
        ((110.0, 0.5, 3500.0), "acceleration"),
        ((0.05, 350.0, 3500.0), "velocity"),
        ((110.0, 0.0, 3500.0), "acceleration"),
        ((math.nan, 350.0, 3500.0), "velocity"),
    ],
)
def test_limits_too_tight_are_refused_with_a_remedy(make, limits, quantity) -> None:
    with pytest.raises(PlanError) as caught:
        track_spec(make.track(), make.limits(*limits), knot_frames=2)
    fault = caught.value.faults[0]
    assert fault.quantity == quantity
    assert "turn" in fault.message
    assert fault.remedy


def test_longer_knots_are_proposed_when_they_help(make) -> None:
    limits = make.limits(60.0, 120.0, 800.0)
    with pytest.raises(PlanError) as caught:
        track_spec(make.track(), limits, knot_frames=1)
    assert "knot_frames = 3" in (caught.value.faults[0].remedy or "")
    assert track_spec(make.track(), limits, knot_frames=3).bounds[2] >= SMALLEST_BOUNDS[2]


@pytest.mark.parametrize(
    "change",
    [
        {"rest_us": 2500.0},
        {"parked_us": 300.0},
        {"low_us": 1500.0, "high_us": 1500.2},
        {"low_us": 1600.0, "high_us": 1400.0},
        {"us_per_rad": 0.0},
        {"us_per_rad": math.inf},
        {"frame_s": 0.0},
        {"low_us": -9e4, "high_us": 9e4},
    ],
)
def test_impossible_tracks_are_refused(make, change) -> None:
    track = dataclasses.replace(make.track(), **change)
    with pytest.raises(PlanError) as caught:
        track_spec(track, make.limits())
    assert "turn" in str(caught.value)


@pytest.mark.parametrize("knot_frames", [0, 4, 5, 12, -1])
def test_knots_must_divide_six_frames(make, knot_frames) -> None:
    with pytest.raises(PlanError, match="knot"):
        track_spec(make.track(), make.limits(), knot_frames=knot_frames)
