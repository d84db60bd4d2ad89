"""Two tracks planned together: in their polygon, and nearer than planned apart."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import PlanError
from sequencer.motion.certificate import certify
from sequencer.motion.interior import solve
from sequencer.motion.linked import plan_linked
from sequencer.motion.model import PairFace, PairSpec
from sequencer.motion.pair import joint_problem, plan_pair, pose_weight
from sequencer.motion.peak import errors, evaluate_lsb, on_grid, peak
from sequencer.motion.plan import plan_track
from sequencer.motion.polygon import certify_pair, integer_face, merge_pairs, pair_spec
from tests.motion.made_pair import US_PER_RAD, Bent, Plane

# ---- integers ------------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(
    angle=st.floats(0, 6.283),
    limit=st.floats(-400, 900),
    x=st.integers(-13202, 13222),
    y=st.integers(-14000, 14000),
)
def test_integers_within_a_face_are_within_its_half_plane(angle: float, limit: float, x: int, y: int) -> None:
    one, other, _ = Bent().specs()
    a, b = float(np.cos(angle)), float(np.sin(angle))
    limit_us = limit + a * one.origin_us + b * other.origin_us
    face = integer_face(one, other, a, b, limit_us)
    x, y = min(max(x, one.low), one.high), min(max(y, other.low), other.high)
    over_us = a * (one.origin_us + x * one.lsb_us) + b * (other.origin_us + y * other.lsb_us) - limit_us
    value = face.a * x + face.b * y
    if value <= face.limit:
        assert over_us <= 1e-9
    # and no more is lost than the normal's rounding: under an LSB and a half
    if over_us < -1.5 * one.lsb_us:
        assert value <= face.limit


def test_faces_keep_room_for_one_rounding() -> None:
    face = PairFace(3, -4, 1000)
    assert face.inner == 1000 - 4


def test_home_and_parked_are_moved_inside_by_less_than_a_microsecond() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    edge = bent.polygon()[0]
    at = [(edge.limit - edge.a * 1500.0 - edge.b * 1500.0) / (edge.a + edge.b)] * 2
    parked = dataclasses.replace(one, parked=round((1500.0 + at[0] - one.origin_us) / one.lsb_us))
    beside = dataclasses.replace(other, parked=round((1500.0 + at[1] - other.origin_us) / other.lsb_us))
    one, other, pair = pair_spec(bent.name, parked, beside, bent.polygon())
    assert all(f.a * one.parked + f.b * other.parked <= f.inner for f in pair.faces)
    assert abs(one.parked - parked.parked) * one.lsb_us < 1.0
    outside = dataclasses.replace(parked, parked=one.high)
    with pytest.raises(PlanError, match="parked is outside") as caught:
        pair_spec(bent.name, outside, dataclasses.replace(beside, parked=other.high), bent.polygon())
    assert caught.value.faults[0].remedy


def test_a_half_plane_may_name_its_tracks_the_other_way_round() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    turned = [Plane(p.track_b, p.track_a, p.b, p.a, p.limit) for p in bent.polygon()]
    assert pair_spec(bent.name, one, other, turned)[2] == pair
    with pytest.raises(PlanError, match="half-plane"):
        pair_spec(bent.name, one, other, [Plane("left", "jaw", 1.0, 0.0, 1700.0)])
    with pytest.raises(PlanError, match="different knots"):
        pair_spec(bent.name, one, dataclasses.replace(other, knot_frames=1), bent.polygon())


def test_a_pair_beyond_a_face_is_refused_in_words() -> None:
    one, other, pair = Bent().specs()
    still = [np.full(20, one.rest), np.full(20, other.rest)]
    proof = certify_pair(pair, (one, other), still, scene="s", loop=False)
    assert all(q.max <= q.bound for q in proof.faces)
    face = pair.faces[0]
    scale = (face.inner - face.a * one.rest - face.b * other.rest) / (abs(face.a) + abs(face.b))
    step = [int(np.sign(n) * np.ceil(scale + 1)) for n in (face.a, face.b)]
    moved = [c.copy() for c in still]
    for c, by in zip(moved, step, strict=True):
        c[10] += by
    with pytest.raises(PlanError, match=r"pair neck, scene s: the pose leaves .* at 0\.5\d s") as caught:
        certify_pair(pair, (one, other), moved, scene="s", loop=False)
    assert caught.value.faults[0].remedy
    with pytest.raises(PlanError, match="not pairs"):
        certify_pair(pair, (one, other), [still[0], still[1][:-1]], scene="s", loop=False)


def test_merging_keeps_the_worst_of_each_face() -> None:
    one, other, pair = Bent().specs()
    a = certify_pair(pair, (one, other), [np.array([-3800] * 9), np.array([0] * 9)], scene="a", loop=True)
    b = certify_pair(pair, (one, other), [np.array([0] * 9), np.array([-100] * 9)], scene="b", loop=True)
    both = merge_pairs([a, b])
    assert [q.max for q in both.faces] == [max(p.max, q.max) for p, q in zip(a.faces, b.faces, strict=True)]
    assert {q.scene for q in both.faces} == {"a", "b"}
    with pytest.raises(ValueError, match="do not merge"):
        merge_pairs([a, dataclasses.replace(b, spec=PairSpec("neck", pair.tracks, ()))])


# ---- from wish to certificate --------------------------------------------------------------------


def poses(bent: Bent, plans: tuple, t: np.ndarray | None = None) -> np.ndarray:
    """Axis angles of both plans by forward kinematics, on the 1 ms grid or at times ``t``."""
    if t is None:
        servo = np.stack([on_grid(p.spec, p.points, p.loop) for p in plans], axis=1)
    else:
        servo = np.stack(
            [
                (evaluate_lsb(p.spec, p.points, p.loop, t) - p.spec.value_zero) / p.spec.value_per_rad
                for p in plans
            ],
            axis=1,
        )
    return bent.axis_rad(servo)


def rms_deg(error_rad: np.ndarray) -> float:
    return float(np.degrees(np.sqrt((error_rad**2).sum(axis=1).mean())))


@pytest.mark.parametrize("loop", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_a_storm_at_the_corners_keeps_limits_and_polygon(seed: int, loop: bool) -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    wish = bent.storm(seed, 12.0)
    weight = pose_weight(bent.jacobian(wish))
    plans = plan_pair(pair, (one, other), bent.servo_rad(wish), weight, "storm", loop, 12.0)
    for plan in plans:
        assert len(plan.points) == (200 if loop else 203)
        found, proof = (
            peak(plan.spec, plan.points, loop),
            certify(plan.spec, plan.points, scene="s", loop=loop),
        )
        assert found.velocity_lsb <= proof.velocity.max <= proof.velocity.bound
        assert found.acceleration_lsb <= proof.acceleration.max <= proof.acceleration.bound
        assert found.jerk_lsb <= proof.jerk.max <= 0.85 * proof.jerk.bound
        if not loop:
            assert {*plan.points[:3].tolist(), *plan.points[-3:].tolist()} == {plan.spec.rest}
    dense = poses(bent, plans, np.linspace(0.0, 12.0, 40_001))
    assert bent.inside(dense).all()
    assert (np.abs(dense).max(axis=0) > 0.8 * np.array(bent.reach_rad)).all(), (
        "else nothing is at the corners"
    )


def test_the_joint_plan_is_nearer_than_tracks_planned_apart() -> None:
    """Unweighted, and with each track's own weight; neither of those even keeps the ranges."""
    bent = Bent()
    one, other, pair = bent.specs()
    for seed in range(3):
        wish = bent.storm(10 + seed, 24.0)
        servo, weight = bent.servo_rad(wish), pose_weight(bent.jacobian(wish))
        plans = plan_linked(bent, (one, other), pair, wish, "s", False, 24.0)
        joint = rms_deg(poses(bent, plans) - wish)
        assert bent.inside(poses(bent, plans)).all()
        for weights in ((None, None), (weight[:, 0, 0], weight[:, 1, 1])):
            apart = tuple(
                plan_track(spec, servo[:, i], "s", False, 24.0, weight=weights[i])
                for i, spec in enumerate((one, other))
            )
            assert joint <= rms_deg(poses(bent, apart) - wish)


def test_posing_the_programme_again_about_the_motion_brings_it_nearer() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    for seed in range(3):
        wish = bent.storm(20 + seed, 12.0)
        weight = pose_weight(bent.jacobian(wish))
        once = plan_pair(pair, (one, other), bent.servo_rad(wish), weight, "s", False, 12.0)
        again = plan_linked(bent, (one, other), pair, wish, "s", False, 12.0)
        assert rms_deg(poses(bent, again) - wish) < 0.99 * rms_deg(poses(bent, once) - wish)


def test_a_slow_wish_inside_is_followed_in_both_axes() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    t = np.arange(12001) / 1000.0
    swell = np.sin(np.pi * t / 12.0) ** 2
    wish = np.stack([0.2 * swell * np.sin(t), 0.15 * swell * np.cos(1.3 * t)], axis=1)
    plans = plan_pair(
        pair, (one, other), bent.servo_rad(wish), pose_weight(bent.jacobian(wish)), "s", False, 12.0
    )
    error = poses(bent, plans) - wish
    assert rms_deg(error) < 0.02
    # the objective is the pose's squared error to first order
    assert np.degrees(np.sqrt(plans[0].objective / 12.0)) < 0.02


def test_the_objective_tells_the_pose_error_where_it_is_small() -> None:
    bent = Bent()
    one, other, pair = bent.specs(60.0, 120.0, 900.0)
    t = np.arange(12001) / 1000.0
    wish = (
        np.stack([0.06 * np.sin(5.0 * t), 0.05 * np.sin(4.0 * t + 1.0)], axis=1) * np.minimum(1, t)[:, None]
    )
    plans = plan_pair(
        pair, (one, other), bent.servo_rad(wish), pose_weight(bent.jacobian(wish)), "s", True, 12.0
    )
    real = np.sqrt(((poses(bent, plans) - wish) ** 2).sum(axis=1).mean() * 12.0)
    assert real > 0.01
    assert np.sqrt(plans[0].objective) == pytest.approx(real, rel=0.05)


def test_a_tighter_pair_has_a_failure_in_words() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    away = dataclasses.replace(pair, faces=(*pair.faces, PairFace(1, 0, one.rest - 100)))
    wish = np.zeros((1201, 2))
    with pytest.raises(PlanError) as caught:
        plan_pair(away, (one, other), wish, pose_weight(bent.jacobian(wish)), "s", False, 1.2)
    assert "scene s" in str(caught.value)
    with pytest.raises(PlanError, match="toggle"):
        pose_weight(np.zeros((3, 2, 2)))
    nothing = dataclasses.replace(pair, faces=(PairFace(1, 0, one.low - 10_000),))
    with pytest.raises(PlanError, match="nothing of the tracks' ranges"):
        plan_pair(nothing, (one, other), wish, pose_weight(bent.jacobian(wish)), "s", True, 1.2)


def test_the_polygon_of_the_made_up_pair_is_inside_its_ranges() -> None:
    """Else the tests above would prove nothing about poses."""
    bent = Bent()
    one, other, pair = bent.specs()
    x, y = np.meshgrid(np.linspace(one.low, one.high, 301), np.linspace(other.low, other.high, 301))
    inside = np.all([f.a * x + f.b * y <= f.limit for f in pair.faces], axis=0)
    servo = np.stack(
        [
            (x[inside] - one.value_zero) / one.value_per_rad,
            (y[inside] - other.value_zero) / other.value_per_rad,
        ],
        1,
    )
    assert inside.mean() > 0.2
    assert bent.inside(bent.axis_rad(servo)).all()
    assert one.value_per_rad * one.lsb_us == pytest.approx(US_PER_RAD)


def test_errors_against_the_wish_are_those_of_each_track() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    wish = bent.storm(3, 6.0)
    servo = bent.servo_rad(wish)
    plans = plan_pair(pair, (one, other), servo, pose_weight(bent.jacobian(wish)), "s", False, 6.0)
    joint, _ = joint_problem(pair, (one, other), servo, pose_weight(bent.jacobian(wish)), "s", False, 6.0)
    assert joint.objective(solve(joint).extended) == pytest.approx(solve(joint).objective, rel=1e-9)
    assert all(errors(p.spec, p.points, False, servo[:, i])[0] > 0.0 for i, p in enumerate(plans))
