"""The live limiter: whatever the targets do, points and tails keep the certificate's inequalities."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import ruckig
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import InputError
from sequencer.motion.brake import Brake
from sequencer.motion.certificate import certify
from sequencer.motion.live import LiveTrack
from sequencer.motion.model import TrackSpec
from sequencer.motion.plan import plan_track
from sequencer.motion.spec import SMALLEST_BOUNDS
from tests.motion.live_track import BASE

WIDEST = 32767


@st.composite
def tracks(draw: st.DrawFn) -> TrackSpec:
    """Any box and bounds that a track may have, the tightest often."""
    bounds = tuple(
        draw(st.one_of(st.just(least), st.integers(least, 40 * least), st.integers(least, WIDEST)))
        for least in SMALLEST_BOUNDS
    )
    low = draw(st.integers(-WIDEST, WIDEST - 1))
    high = draw(st.one_of(st.integers(low, min(low + 60, WIDEST)), st.integers(low, WIDEST)))
    return replace(BASE, low=low, high=high, rest=draw(st.integers(low, high)), bounds=bounds)


@st.composite
def streams(draw: st.DrawFn, spec: TrackSpec, knots: int = 60) -> list[float]:
    """Targets that hold, jump, tremble, swing, toggle between the ends, and leave the box."""
    targets: list[float] = []
    while len(targets) < knots:
        span = draw(st.integers(1, 20))
        kind = draw(st.sampled_from(("hold", "noise", "sine", "toggle", "beyond")))
        anchor = draw(st.floats(spec.low, spec.high))
        if kind == "hold":
            targets += [anchor] * span
        elif kind == "noise":
            targets += [anchor + draw(st.floats(-4.0, 4.0)) for _ in range(span)]
        elif kind == "sine":
            period = draw(st.floats(2.0, 30.0))
            half = (spec.high - spec.low) / 2.0
            targets += [spec.low + half * (1.0 + math.sin(2 * math.pi * k / period)) for k in range(span)]
        elif kind == "toggle":
            every = draw(st.integers(1, 5))
            targets += [float((spec.low, spec.high)[k // every % 2]) for k in range(span)]
        else:
            targets += [draw(st.floats(-1e6, 1e6))] * span
    return targets[:knots]


def run(live: LiveTrack, targets: list[float]) -> list[int]:
    return [live.tick(target).point for target in targets]


def settle(live: LiveTrack, target: float, most: int = 100_000) -> list[int]:
    """Points up to and with the one that says rest."""
    points = []
    for _ in range(most):
        tick = live.tick(target)
        points.append(tick.point)
        if tick.resting:
            return points
    raise AssertionError(f"not at {target} after {most} knots")


def least_knots(brake: Brake, start: int, goal: int) -> float:
    """Ruckig's minimum time from rest to rest, from its trajectory: no step of its own in it."""
    asked = ruckig.InputParameter(1)
    asked.current_position, asked.target_position = [float(start)], [float(goal)]
    asked.max_velocity, asked.max_acceleration = [brake.velocity], [brake.acceleration]
    asked.max_jerk = [brake.jerk]
    trajectory = ruckig.Trajectory(1)
    ruckig.Ruckig(1).calculate(asked, trajectory)
    return float(trajectory.duration)


@given(st.data())
def test_any_stream_and_every_tail_are_certified(data: st.DataObject) -> None:
    spec = data.draw(tracks())
    live = LiveTrack(spec)
    points = [spec.rest] * 3
    for target in data.draw(streams(spec)):
        points.append(live.tick(target).point)
        tail = live.tail()
        certify(spec, points[-4:], scene="tail", after=tail + tail[-1:] * 3)
        assert len(set((*points, *tail)[-3:])) == 1, "a tail ends with three equal points"
    certify(spec, points, scene="stream", after=live.tail())


@given(st.data())
def test_a_stop_plays_the_tail_and_rests(data: st.DataObject) -> None:
    spec = data.draw(tracks())
    live = LiveTrack(spec)
    points = [spec.rest] * 3 + run(live, data.draw(streams(spec, 25)))
    braking = LiveTrack(spec, points[-3:])
    tail = live.tail()
    assert live.stop() == tail
    assert live.tail() == tail[-1:]
    assert not live.moving
    again = live.tick(None)
    assert (again.point, again.target, again.lag, again.resting) == (tail[-1], tail[-1], 0, True)
    certify(spec, points, scene="stop", after=tail + tail[-1:] * 3)
    # who only knows the last three points brakes as legally
    other = braking.stop()
    certify(spec, points, scene="stop", after=other + other[-1:] * 3)


@given(st.data())
def test_a_constant_target_is_reached_in_time_and_never_overshot(data: st.DataObject) -> None:
    spec = data.draw(tracks())
    goal = data.draw(st.one_of(st.integers(spec.low, spec.high), st.sampled_from((spec.low, spec.high))))
    live = LiveTrack(spec)
    points = settle(live, float(goal))
    signed = np.sign(goal - spec.rest) * np.diff([spec.rest, *points])
    assert (signed >= 0).all(), "no step away from the target: none beyond it, none back"
    assert points[-1] == goal
    assert live.tail() == (goal,)
    if goal != spec.rest:
        assert len(points) <= least_knots(live.brake, spec.rest, goal) + 3.0
    assert run(live, [float(goal)] * 5) == [goal] * 5


@pytest.mark.parametrize("goal", [1, 7, 60, 900, 7110])
def test_rounding_costs_a_usual_track_no_knot_more_than_its_full_limits(goal: int) -> None:
    live = LiveTrack(BASE)
    points = settle(live, float(goal))
    assert len(points) <= least_knots(Brake(*map(float, BASE.bounds)), 0, goal) + 3.0


@given(st.data())
def test_from_any_motion_it_settles_and_goes_no_further_than_braking_would(data: st.DataObject) -> None:
    spec = replace(data.draw(tracks()), bounds=data.draw(st.sampled_from([(200, 90, 120), (60, 400, 900)])))
    live = LiveTrack(spec)
    points = [spec.rest] * 3 + run(live, data.draw(streams(spec, 25)))
    tail = live.tail()
    goal = data.draw(st.integers(spec.low, spec.high))
    settled = settle(live, float(goal))
    certify(spec, points + settled, scene="settled")
    assert settled[-1] == goal
    # one for rounding the two ways differently
    assert max(settled) <= max(goal, *tail) + 1
    assert min(settled) >= min(goal, *tail) - 1


@given(st.data())
def test_mirrored_targets_give_mirrored_points(data: st.DataObject) -> None:
    spec = data.draw(tracks())
    twice = spec.low + spec.high
    # targets on eighths: their mirror images are exact, and halves, where rounding must choose, are common;
    # in the very middle of an odd box no rounding is symmetric
    targets = [round(8 * target) / 8 for target in data.draw(streams(spec)) if target * 2 != twice]
    targets = [target for target in targets if not (twice % 2 and target == twice / 2)]
    mirror = LiveTrack(replace(spec, rest=twice - spec.rest))
    assert run(mirror, [twice - target for target in targets]) == [
        twice - point for point in run(LiveTrack(spec), targets)
    ]


def test_one_step_and_the_whole_way_on_the_tightest_bounds() -> None:
    spec = replace(BASE, bounds=SMALLEST_BOUNDS, low=-WIDEST, high=WIDEST)
    assert settle(LiveTrack(spec), 1.0) == [1, 1, 1]
    points = settle(LiveTrack(replace(spec, rest=-WIDEST)), float(WIDEST))
    certify(spec, points, scene="whole way", before=[-WIDEST] * 3)
    assert max(np.diff(points)) >= SMALLEST_BOUNDS[0] - 1


def test_a_box_of_one_value_rests() -> None:
    spec = replace(BASE, low=5, high=5, rest=5)
    assert run(LiveTrack(spec), [0.0, 99.0, 5.0]) == [5, 5, 5]


def test_a_target_outside_is_moved_to_the_edge_and_told() -> None:
    live = LiveTrack(BASE)
    tick = live.tick(1e9)
    assert (tick.target, tick.clamped, tick.kept) == (BASE.high, True, False)
    assert tick.lag == BASE.high - tick.point
    assert not live.tick(BASE.high).clamped


@pytest.mark.parametrize("target", [math.nan, math.inf, -math.inf])
def test_a_target_that_is_no_number_keeps_the_last_one_and_is_told(target: float) -> None:
    live, other = LiveTrack(BASE), LiveTrack(BASE)
    live.tick(500.0)
    other.tick(500.0)
    tick = live.tick(target)
    assert tick.kept
    assert not tick.clamped
    assert replace(tick, kept=False) == other.tick(500.0)


def test_the_newest_target_wins() -> None:
    live = LiveTrack(BASE)
    run(live, [7000.0] * 3)
    assert settle(live, -7000.0)[-1] == -7000


def test_it_takes_over_from_a_plan_in_motion() -> None:
    seconds = np.arange(0.0, 24.001, 0.001)
    wish = 0.6 * np.sin(2 * np.pi * seconds / 3.0)
    plan = plan_track(BASE, wish, "swing", True, 24.0).points
    for at in range(3, len(plan), 7):
        live = LiveTrack(BASE, plan[at - 3 : at].tolist())
        points = settle(live, 1234.0)
        certify(BASE, points, scene="taken over", before=plan[:at].tolist())


@pytest.mark.parametrize(
    ("start", "share"),
    [
        ((0, 0), 1.0),
        ((0, 0, 7111), 1.0),
        ((5000, 6000, 7000), 1.0),  # too fast to stop before the end of the box
        ((-3000, 0, 3000), 1.0),
        ((0, 0, 0), 0.0),
        ((0, 0, 0), 1.1),
        ((0, 0, 0), math.nan),
    ],
)
def test_a_start_without_a_way_to_rest_is_refused(start: tuple[int, ...], share: float) -> None:
    with pytest.raises(InputError, match="turn"):
        LiveTrack(BASE, start, share)


def test_a_share_of_the_limits_is_kept() -> None:
    points = [0, 0, 0, *settle(LiveTrack(BASE, share=0.5), 7000.0)]
    for order, bound in enumerate(BASE.bounds, start=1):
        assert abs(np.diff(points, order)).max() <= 0.5 * bound


@given(st.floats(-50.0, 50.0), st.floats(-9.0, 9.0), st.floats(0.1, 20.0), st.floats(0.1, 9.0))
def test_a_brake_ends_where_its_distance_says(v: float, a: float, acceleration: float, jerk: float) -> None:
    brake = Brake(100.0, acceleration, jerk)
    a = max(-acceleration, min(acceleration, a))
    said, gone = brake.distance(v, a), 0.0
    for _ in range(100_000):
        x = brake.next(v, a)
        assert abs(x - a) <= jerk * (1 + 1e-12)
        assert abs(x) <= acceleration
        v, a = v + x, x
        gone += v
        if abs(v) <= 1e-9 and abs(a) <= 1e-9:
            break
    assert gone == pytest.approx(said, rel=1e-9, abs=1e-6)
