"""Planned moves that leave a filmed neck still: within limits, at rest in time, no earlier than before."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sequencer.motion.certificate import certify
from sequencer.motion.landing import landing_rows
from sequencer.motion.lead import ahead
from sequencer.motion.model import Mode, TrackSpec
from sequencer.motion.peak import evaluate, on_grid
from sequencer.motion.plan import plan_track, track_problem
from sequencer.motion.problem import SpanRows
from sequencer.motion.ringing import LIMIT_RAD
from sequencer.motion.shaper import lateness_knots
from sequencer.motion.stilled import NoRoomError, ringing_rad, sooner
from sequencer.timeline.model import Accent, AxisWish, Timeline
from tests.motion.conftest import Make
from tests.motion.cycloids import cycloids
from tests.motion.flexible_neck import holds, wobble

NECK = Mode(3.0, 0.0, 0.03)


def _neck(make: Make, mode: Mode | None = NECK, knot_frames: int = 6) -> TrackSpec:
    return replace(make.spec(knot_frames), mode=mode)


def _seen(spec: TrackSpec, points: np.ndarray, frequency_hz: float) -> float:
    """Degrees at which a simulated head still swings a tenth of a second after a move, at its worst."""
    angle = np.degrees(on_grid(spec, points, False))
    angle = np.append(angle, np.full(1000, angle[-1]))
    off = np.abs(wobble(angle, 0.001, frequency_hz, 0.03))
    standing = [first for first, _ in holds(angle, 0.001, 0.5, 0.02) if first > 0]
    return max(float(off[first + 100 : first + 450].max()) for first in standing)


def test_a_brisk_move_is_left_still_at_every_frequency_of_the_band(make: Make) -> None:
    spec = _neck(make)
    wish = cycloids(6.0, (1.0, 40.0, 0.8), (3.6, -40.0, 0.8))
    loose = plan_track(replace(spec, mode=None), wish, "s", False, 6.0)
    still = plan_track(spec, wish, "s", False, 6.0)
    assert loose.shaping is None
    assert still.shaping is not None
    assert still.shaping.before_rad == ringing_rad([spec], [loose.points], False, None)[0] > 5 * LIMIT_RAD
    certify(spec, still.points, scene="s")
    assert (still.points[-3:] == spec.rest).all()
    for frequency in np.linspace(2.7, 3.3, 13):
        assert _seen(spec, still.points, float(frequency)) <= 0.05
    assert max(_seen(spec, loose.points, f) for f in (2.7, 3.0, 3.3)) > 0.3
    # the wish was taken ahead: no later than two knots, though the taps delay by more
    assert 0.0 < still.shaping.late_s < 0.2
    assert still.objective > loose.objective


@given(
    st.lists(
        st.tuples(st.floats(0.3, 6.0), st.floats(-45.0, 45.0), st.floats(0.4, 2.0)), min_size=1, max_size=4
    ),
    st.floats(1.5, 4.5),
    st.sampled_from([3, 6]),
)
@example([(1.0, 45.0, 1.0)], 4.09375, 6)  # four times made for less
@example(
    [(3.809, -34.965, 0.665), (1.652, 40.997, 0.59), (2.09, -7.309, 1.318)], 3.8895, 6
)  # the same taps twice
@settings(max_examples=25, deadline=None)
def test_random_scenes_keep_their_limits_and_stand_still(
    moves: list[tuple[float, float, float]], frequency: float, knot_frames: int
) -> None:
    spec = replace(Make().spec(knot_frames), mode=Mode(frequency, 0.0, 0.03))
    wish = np.clip(cycloids(12.0, *moves), -1.3, 1.3)
    wish[8500:] = 0.0
    plan = plan_track(spec, wish, "s", False, 12.0)
    certify(spec, plan.points, scene="s")
    assert plan.points[0] == plan.points[-1] == spec.rest
    assert ringing_rad([spec], [plan.points], False, None)[0] <= LIMIT_RAD


def test_a_gentle_move_and_an_unknown_neck_are_not_touched(make: Make) -> None:
    gentle = cycloids(10.8, (1.0, 10.0, 3.0), (6.0, -10.0, 3.0))
    spec = _neck(make)
    known = plan_track(spec, gentle, "s", False, 10.8)
    unknown = plan_track(replace(spec, mode=None), gentle, "s", False, 10.8)
    assert known.shaping is None
    np.testing.assert_array_equal(known.points, unknown.points)


@pytest.mark.parametrize(("amplitude_deg", "period_s"), [(1.0, 0.2), (0.5, 0.24), (1.0, 0.16)])
def test_a_tremor_that_taps_take_away_altogether(make: Make, amplitude_deg: float, period_s: float) -> None:
    """Quicker than the knots and the neck: shaped, nothing moves any more, and so nothing rings on at all."""
    t = np.arange(6001) / 1000.0
    trembles = (t > 0.5) & (t < 3.5)
    wish = np.where(trembles, math.radians(amplitude_deg) * np.sin(math.tau * (t - 0.5) / period_s), 0.0)
    spec = _neck(make)
    plan = plan_track(spec, wish, "s", False, 6.0)
    certify(spec, plan.points, scene="s")
    assert plan.shaping is not None
    assert plan.shaping.before_rad > LIMIT_RAD
    assert ringing_rad([spec], [plan.points], False, None) == (0.0,)


def test_nothing_moves_before_its_cue_that_did_not_before(make: Make) -> None:
    spec = _neck(make)
    wish = cycloids(7.2, (2.04, 30.0, 0.9), (4.8, -30.0, 0.9))
    loose = np.degrees(
        on_grid(spec, plan_track(replace(spec, mode=None), wish, "s", False, 7.2).points, False)
    )
    plan = plan_track(spec, wish, "s", False, 7.2)
    still = np.degrees(on_grid(spec, plan.points, False))
    assert plan.shaping is not None
    for cue in (2040, 4800):
        early_before = np.abs(loose[cue - 500 : cue] - loose[cue - 500]).max()
        assert np.abs(still[cue - 500 : cue] - still[cue - 500]).max() <= early_before + 0.1


def test_a_loop_stays_one_and_is_hardly_later(make: Make) -> None:
    spec = _neck(make, Mode(2.0, 0.0, 0.03))
    wish = cycloids(7.2, (1.0, 30.0, 0.7), (6.5, -30.0, 0.7))  # its last move ends at the seam
    plan = plan_track(spec, wish, "s", True, 7.2)
    certify(spec, plan.points, scene="s", loop=True)
    assert len(plan.points) == 60
    assert plan.shaping is not None
    assert plan.shaping.before_rad > 4 * LIMIT_RAD
    assert abs(plan.shaping.late_s) < 0.75 * lateness_knots(plan.shaping.taps) * spec.knot_s
    assert ringing_rad([spec], [plan.points], True, None)[0] <= LIMIT_RAD


def test_a_scene_without_room_stays_as_it_is(make: Make) -> None:
    spec = _neck(make, Mode(1.5, 0.0, 0.03))
    wish = cycloids(0.96, (0.1, 8.0, 0.4), (0.55, -8.0, 0.4))
    plan = plan_track(spec, wish, "s", False, 0.96)
    assert plan.shaping is None
    assert ringing_rad([spec], [plan.points], False, None)[0] > LIMIT_RAD


def test_a_mode_that_taps_on_these_knots_cannot_reach_stays_as_it_is(make: Make) -> None:
    spec = _neck(make, Mode(1.0 / 0.12, 0.0, 0.001))
    wish = cycloids(6.0, (1.0, 70.0, 0.9), (3.6, -70.0, 0.9))
    assert plan_track(spec, wish, "s", False, 6.0).shaping is None


def test_what_lands_is_asked_of_the_unshaped_motion_earlier(make: Make) -> None:
    spec = _neck(make)
    rows = SpanRows(
        span=np.array([3, 20, 21]),
        coefficients=np.tile(np.array([1.0, 4.0, 1.0, 0.0]) / 6.0, (3, 1)),
        low=np.array([-5.0, 100.0, -900.0]),
        high=np.array([5.0, 100.0, 900.0]),
        price=np.array([math.inf, 50.0, math.inf]),
    )
    problem = track_problem(spec, np.zeros(6001), "s", False, 6.0)
    cut = sooner(replace(problem, rows=rows), (0.25, 0.25, 0.25, 0.25))
    assert cut.spans == problem.spans - 3
    assert cut.rows is not None
    # Each shift is asked for its share; hard rows stay where they are.
    assert cut.rows.span.tolist() == [3, 17, 18, 19, 20, 21]
    assert cut.rows.price.tolist() == [math.inf, 12.5, 12.5, 12.5, 12.5, math.inf]
    uneven = sooner(replace(problem, rows=rows), (0.7, 0.0, 0.3))
    assert uneven.rows is not None
    assert uneven.rows.span.tolist() == [3, 18, 20, 21]
    assert uneven.rows.price.tolist() == pytest.approx([math.inf, 15.0, 35.0, math.inf])


def test_a_shaped_motion_lands_on_its_time(make: Make) -> None:
    """The average of shifts that are all there is there, and at rest; a wish alone would be late or short."""
    spec = _neck(make)
    wish = cycloids(6.0, (2.0, 30.0, 0.9), (4.0, -30.0, 0.9))
    accent = Accent(2.9, math.radians(30.0), True, 1)
    timeline = Timeline("s", 6.0, False, {spec.axis: AxisWish(spec.axis, wish, wish, (accent,))}, {}, {}, ())
    rows = landing_rows(timeline, None, [spec])
    landed, smeared = (plan_track(spec, wish, "s", False, 6.0, rows=each) for each in (rows, None))
    assert landed.shaping is not None
    assert smeared.shaping is not None
    where = [math.degrees(float(evaluate(spec, plan.points, False, 2.9))) for plan in (landed, smeared)]
    assert abs(where[0] - 30.0) <= 0.15
    assert abs(where[1] - 30.0) > 1.0
    with pytest.raises(NoRoomError):
        sooner(track_problem(spec, np.zeros(721), "s", False, 0.72), (0.25, 0.25, 0.25, 0.25))


def test_a_landing_stays_on_time(make: Make) -> None:
    """Priced to be at 30 degrees at 1.8 s and held there: with taps it is as near then as without."""
    spec = _neck(make)
    wish = cycloids(6.0, (1.0, 30.0, 0.8), (4.0, -30.0, 0.8))
    at = spec.value_zero + spec.value_per_rad * math.radians(30.0)
    rows = SpanRows(
        span=np.array([15]),
        coefficients=np.array([[1.0, 4.0, 1.0, 0.0]]) / 6.0,
        low=np.array([at]),
        high=np.array([at]),
        price=np.array([8.0 * (spec.high - spec.low)]),
    )
    plan = plan_track(spec, wish, "s", False, 6.0, rows=rows)
    assert plan.shaping is not None
    angle = np.degrees(on_grid(spec, plan.points, False))
    assert angle[1800] == pytest.approx(30.0, abs=1.5)


def test_ahead_begins_at_its_cue_and_ends_with_its_motion() -> None:
    wish = np.concatenate(
        [np.zeros(1000), np.linspace(0, 50, 2001), np.full(1500, 50.0), np.linspace(50, 0, 500)]
    )
    taken = ahead([wish], 0.2, False)
    np.testing.assert_array_equal(wish[taken[:1000]], 0.0)
    assert taken[1000] == 1000 or wish[taken[1000]] == 0.0
    assert taken[2500] == 2700
    assert wish[taken[2900]] == 50.0
    assert (wish[taken[2900:4500]] == 50.0).all(), "the next motion begins at its own cue"
    assert wish[taken[4700]] < wish[4700]


def test_what_never_holds_is_taken_ahead_everywhere() -> None:
    loop = np.sin(np.arange(1001) * math.tau / 1000)
    np.testing.assert_allclose(
        loop[ahead([loop], 0.1, True)], np.sin((np.arange(1001) + 100) * math.tau / 1000), atol=1e-12
    )


def test_a_loops_motion_over_the_seam_is_taken_ahead_as_one() -> None:
    base = np.concatenate(
        [np.zeros(500), np.linspace(0, 9, 1000), np.full(500, 9.0), np.linspace(9, 0, 1001)]
    )[:-1]
    there = base[ahead([np.append(base, base[0])], 0.15, True)[:-1] % len(base)]
    turned = np.roll(base, 700)
    again = turned[ahead([np.append(turned, turned[0])], 0.15, True)[:-1] % len(base)]
    np.testing.assert_allclose(np.roll(again, -700), there, atol=0.02)
