"""An edit that is re-planned in windows against the whole plan: tracks, loops, pairs, rows, other lengths."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sequencer.motion import window
from sequencer.motion.certificate import certify
from sequencer.motion.interior import Solution, solve
from sequencer.motion.model import TrackSpec
from sequencer.motion.pair import joint_problem, pose_weight
from sequencer.motion.peak import evaluate_lsb
from sequencer.motion.plan import track_problem
from sequencer.motion.polygon import certify_pair
from sequencer.motion.problem import Problem, SpanRows
from sequencer.motion.round import round_points
from sequencer.motion.spec import track_spec
from tests.motion.conftest import Make
from tests.motion.made_pair import Bent

#: What the issue asks of an edit: nearer than this to the whole plan.
ALLOWED_DEG = 0.01
MAKE = Make()
#: The motion notes' *turn*, *idle* and *jaw* limits, degrees; knots in servo frames.
SPECS = (
    track_spec(MAKE.track(), MAKE.limits(110.0, 350.0, 3500.0), knot_frames=6),
    track_spec(MAKE.track(), MAKE.limits(110.0, 350.0, 3500.0), knot_frames=3),
    track_spec(MAKE.track(-40.0, 40.0), MAKE.limits(220.0, 3500.0, 90000.0), knot_frames=2),
)


def moves(seed: int, duration_s: float, reach_deg: float, loop: bool = False) -> np.ndarray:
    """Quintic moves between poses, some quicker than limits allow; at home at both ends; rad, 1 ms grid."""
    random = np.random.default_rng(seed)
    t = np.arange(round(duration_s * 1000) + 1) / 1000.0
    wish, now, at_s = np.zeros_like(t), 0.0, random.uniform(0.0, 1.0)
    while at_s < duration_s - 4.0:
        aim, over_s = random.uniform(-reach_deg, reach_deg), random.uniform(0.3, 2.0)
        u = np.clip((t - at_s) / over_s, 0.0, 1.0)
        wish += u**3 * (10.0 - 15.0 * u + 6.0 * u * u) * (aim - now)
        now, at_s = aim, at_s + over_s + random.uniform(0.0, 2.0)
    u = np.clip((t - duration_s + 3.0) / 2.0, 0.0, 1.0)
    wish -= u**3 * (10.0 - 15.0 * u + 6.0 * u * u) * now
    return np.radians(np.roll(wish, random.integers(0, len(t))) if loop else wish)


def edited(wish: np.ndarray, seed: int, reach_deg: float) -> np.ndarray:
    """One stretch of up to two seconds that does something else."""
    random = np.random.default_rng(seed)
    length = int(random.integers(20, 2000))
    at = int(random.integers(0, len(wish) - length))
    changed = wish.copy()
    bump = np.sin(np.linspace(0.0, np.pi, length)) ** 2
    changed[at : at + length] += math.radians(random.uniform(-0.5, 0.5) * reach_deg) * bump
    changed[-1] = changed[0]
    return changed


def difference_deg(spec: TrackSpec, mine: np.ndarray, whole: np.ndarray) -> float:
    """The largest distance of the two curves, not of their points."""
    spans = len(mine) - 3
    t = np.linspace(0.0, spans * spec.knot_s, 4 * spans + 1)
    apart = evaluate_lsb(spec, mine, False, t) - evaluate_lsb(spec, whole, False, t)
    return math.degrees(float(np.abs(apart).max()) / abs(spec.value_per_rad))


def replanned(problem: Problem, former: Problem) -> Solution:
    found = window.replan(problem, former, solve(former).extended)
    assert found is not None
    return found


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from(SPECS), st.booleans())
def test_an_edit_differs_from_the_whole_plan_by_less_than_is_seen(
    seed: int, spec: TrackSpec, loop: bool
) -> None:
    reach = 35.0 if spec is SPECS[2] else 70.0
    wish = moves(seed, 36.0, reach, loop)
    new = track_problem(spec, edited(wish, seed + 1, reach), "scene", loop, 36.0)
    old = track_problem(spec, wish, "scene", loop, 36.0)
    found, whole = replanned(new, old), solve(new)
    assert difference_deg(spec, found.extended, whole.extended) < ALLOWED_DEG
    assert found.objective == pytest.approx(whole.objective, rel=1e-6, abs=1e-4 * new.spans)
    points = round_points(found.extended[:-3] if loop else found.extended)
    certify(spec, points, scene="scene", loop=loop)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(-20, 20), st.sampled_from(SPECS[:2]))
def test_a_cue_put_in_or_taken_out_shifts_what_follows(seed: int, knots: int, spec: TrackSpec) -> None:
    wish = moves(seed, 36.0, 70.0)
    random = np.random.default_rng(seed + 1)
    at, count = int(random.integers(8_000, 24_000)), abs(knots) * round(spec.knot_s * 1000)
    if knots > 0:
        inner = np.full(count, wish[at])
        inner += math.radians(30.0) * np.sin(np.linspace(0.0, np.pi, count)) ** 2
        changed = np.concatenate([wish[:at], inner, wish[at:]])
    else:
        changed = np.concatenate([wish[:at], wish[at + count :]])
    old = track_problem(spec, wish, "scene", False, 36.0)
    new = track_problem(spec, changed, "scene", False, (len(changed) - 1) / 1000.0)
    found, whole = replanned(new, old), solve(new)
    assert difference_deg(spec, found.extended, whole.extended) < ALLOWED_DEG
    certify(spec, round_points(found.extended), scene="scene")


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_a_pair_is_replanned_together(seed: int, loop: bool) -> None:
    neck = Bent()
    one, other, pair = neck.specs()
    specs = (one, other)
    pose = np.stack([moves(seed, 36.0, 16.0, loop), moves(seed + 1, 36.0, 14.0, loop)], axis=1)
    changed = pose.copy()
    changed[:, 1] = edited(pose[:, 1], seed + 2, 14.0)
    problems = [
        joint_problem(
            *(pair, specs, neck.servo_rad(each), pose_weight(neck.jacobian(each)), "scene", loop, 36.0)
        )[0]
        for each in (pose, changed)
    ]
    old, new = problems
    found, whole = window.replan(new, old, solve(old).extended), solve(new)
    # An edit that is felt in most of the scene, or moves the weights' common norm a step, needs the whole.
    assume(found is not None)
    assert found is not None
    for track, spec in enumerate(specs):
        apart = difference_deg(spec, found.extended[track::2], whole.extended[track::2])
        assert apart < ALLOWED_DEG
    points = [
        round_points((found.extended if not loop else found.extended[:-6])[track::2]) for track in range(2)
    ]
    for spec, own in zip(specs, points, strict=True):
        certify(spec, own, scene="scene", loop=loop)
    certify_pair(pair, specs, points, scene="scene", loop=loop)


def some_rows(spans: list[int], low: float, price: float = math.inf) -> SpanRows:
    """The middle of a span at least at ``low``."""
    count = len(spans)
    return SpanRows(
        np.array(spans),
        np.tile([1.0, 23.0, 23.0, 1.0], (count, 1)) / 48.0,
        np.full(count, low),
        np.full(count, np.inf),
        np.full(count, price),
    )


def test_rows_that_come_or_go_are_an_edit() -> None:
    spec = SPECS[0]
    old = track_problem(spec, moves(3, 36.0, 60.0), "scene", False, 36.0)
    answer = solve(old)
    at = 150
    value = float(evaluate_lsb(spec, answer.extended, False, [(at + 0.5) * spec.knot_s])[0])
    for price in (math.inf, 1e3):
        new = dataclasses.replace(old, rows=some_rows([at], value + 30.0, price))
        found, whole = window.replan(new, old, answer.extended), solve(new)
        assert found is not None
        assert difference_deg(spec, found.extended, whole.extended) < ALLOWED_DEG
        reached = float(evaluate_lsb(spec, found.extended, False, [(at + 0.5) * spec.knot_s])[0])
        assert reached == pytest.approx(value + 30.0, abs=0.5)
        again = window.replan(old, new, found.extended)
        assert again is not None
        assert difference_deg(spec, again.extended, answer.extended) < ALLOWED_DEG
        assert not window.same(new, old)
        moved = dataclasses.replace(old, rows=some_rows([at + 1], value + 30.0, price))
        other = window.replan(moved, new, found.extended)
        assert other is not None
        assert difference_deg(spec, other.extended, solve(moved).extended) < ALLOWED_DEG


def test_what_is_the_same_is_not_solved_again() -> None:
    problem = track_problem(SPECS[0], moves(5, 24.0, 60.0), "scene", False, 24.0)
    twin = track_problem(SPECS[0], moves(5, 24.0, 60.0), "scene", False, 24.0)
    assert window.same(twin, problem)
    answer = solve(problem)
    found = window.replan(twin, problem, answer.extended)
    assert found is not None
    assert found.iterations == 0
    assert np.array_equal(found.extended, answer.extended)


def test_other_limits_need_the_whole() -> None:
    wish = moves(6, 24.0, 60.0)
    one, other = (track_problem(SPECS[0], wish, "scene", False, 24.0, share) for share in (0.85, 0.8))
    assert not window.same(one, other)
    assert window.replan(one, other, solve(other).extended) is None
    loop = track_problem(SPECS[0], wish, "scene", True, 24.0)
    assert window.replan(loop, one, solve(one).extended) is None


def test_an_edit_of_everything_needs_the_whole() -> None:
    one, other = (track_problem(SPECS[0], moves(seed, 24.0, 60.0), "scene", False, 24.0) for seed in (1, 2))
    assert window.replan(one, other, solve(other).extended) is None


def test_a_violent_edit_is_felt_further_and_gets_a_wider_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """Jumps that limits bind all along: the effect of an edit runs on for seconds."""
    spec = SPECS[0]
    wish = MAKE.steps_wish(1, 60.0)
    changed = wish.copy()
    changed[30_000:32_000] = math.radians(70.0)
    old, new = (track_problem(spec, each, "scene", False, 60.0) for each in (wish, changed))
    answer, whole = solve(old), solve(new)

    def worst() -> float:
        found = window.replan(new, old, answer.extended)
        assert found is not None
        return difference_deg(spec, found.extended, whole.extended)

    monkeypatch.setattr(window, "REACH_S", 1.0)
    widened = worst()
    monkeypatch.setattr(window, "FELT_LSB", math.inf)
    assert widened < ALLOWED_DEG < worst()


def test_points_beyond_any_limit_are_noticed() -> None:
    problem = track_problem(SPECS[0], moves(7, 24.0, 60.0), "scene", False, 24.0)
    points = solve(problem).extended
    assert window.keeps(problem, points)
    assert not window.keeps(problem, points[:-1])
    for at, by in ((0, 1.0), (-1, 1.0), (90, 500.0), (90, math.nan)):
        wrong = points.copy()
        wrong[at] += by
        assert not window.keeps(problem, wrong)
    middle = float(evaluate_lsb(SPECS[0], points, False, [50.5 * SPECS[0].knot_s])[0])
    assert window.keeps(dataclasses.replace(problem, rows=some_rows([50], middle - 1.0)), points)
    assert not window.keeps(dataclasses.replace(problem, rows=some_rows([50], middle + 1.0)), points)
    assert window.keeps(dataclasses.replace(problem, rows=some_rows([50], middle + 1.0, 5.0)), points)


def test_a_loop_must_close() -> None:
    problem = track_problem(SPECS[0], moves(8, 24.0, 60.0, loop=True), "scene", True, 24.0)
    points = solve(problem).extended
    assert window.keeps(problem, points)
    points[-1] += 0.5
    assert not window.keeps(problem, points)


def test_a_window_may_lie_across_the_seam() -> None:
    wish = moves(9, 36.0, 60.0, loop=True)
    changed = wish.copy()
    bump = math.radians(20.0) * np.sin(np.linspace(0.0, np.pi, 1201)) ** 2
    changed[:601] += bump[600:]
    changed[-601:] += bump[:601]
    old, new = (track_problem(SPECS[1], each, "scene", True, 36.0) for each in (wish, changed))
    found = replanned(new, old)
    assert difference_deg(SPECS[1], found.extended, solve(new).extended) < ALLOWED_DEG
    far = slice(round(8.0 / SPECS[1].knot_s), round(28.0 / SPECS[1].knot_s))
    assert np.array_equal(found.extended[far], solve(old).extended[far])


def test_a_track_problem_is_not_a_pairs() -> None:
    problem = track_problem(SPECS[0], moves(5, 24.0, 60.0), "scene", False, 24.0)
    one, other, pair = Bent().specs()
    pose = np.zeros((24_001, 2))
    joint, _ = joint_problem(
        pair, (one, other), pose, pose_weight(Bent().jacobian(pose)), "scene", False, 24.0
    )
    assert window.replan(problem, joint, solve(joint).extended) is None
