"""The core against an independent reading of FORMAT.md, exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.player.player import Fault, Played, Player, Result, State, What
from tests.player import oracle
from tests.player.oracle import NONE, Activity, Scene, Show, Track
from tests.player.shows import shows

CLEAN = 12


def knot(frame: int) -> int:
    return -(-frame // 6) * 6


def opened(show: Show) -> Player:
    player = Player(oracle.write(show))
    assert player.open() == Fault.OK
    return player


def idle_from(show: Show) -> tuple[list[Activity], int]:
    """Boot, settle and the idle loop's entry; the frame from which a cue may be accepted."""
    started = show.boot + (len(show.tracks) - 1) * show.stagger
    rest = knot(started)
    enter = rest + show.settle + CLEAN
    fade_in = show.scenes[0].fade_in
    activities = [
        Activity("stand", 0),
        Activity("rest", rest, fade=show.settle),
        Activity("enter", enter, left=0, fade=fade_in),
    ]
    return activities, enter + fade_in + CLEAN


def compare(show: Show, played: Played, activities: list[Activity]) -> None:
    frames = len(played.state)
    for number, track in enumerate(show.tracks):
        windows = oracle.control_points(show, number, activities, frames)
        booted = show.boot
        np.testing.assert_array_equal(played.window[booted:, number], windows[booted:])
        first_pulse = show.boot + number * show.stagger
        for frame in range(booted, frames):
            p, v, a, j = oracle.motion(track, windows[frame], frame % track.knot_frames)
            got = (played.position, played.velocity, played.acceleration, played.jerk)
            assert tuple(int(x[frame, number]) for x in got) == (p, v, a, j)
            expected = oracle.pulse(track, p) if frame >= first_pulse else 0
            assert played.pulse_sixteenths[frame, number] == expected
        assert not played.pulse_sixteenths[:first_pulse, number].any()


@settings(max_examples=40, deadline=None)
@given(shows(), st.integers(0, 60), st.integers(1, 3))
def test_idle_scene_and_back(show: Show, late: int, repeats: int) -> None:
    player = opened(show)
    activities, free = idle_from(show)
    asked = free - 11 + late  # while the idle loop fades in, or later
    first = player.play(asked)
    assert player.cue(77, 1, repeats) == Result.DONE
    leave = knot(max(asked, free))
    fade, delay = show.transition(0, 1)
    length = show.scenes[1].frames
    clock = leave - activities[-1].begins
    activities.append(Activity("leave", leave, left=0, entered=1, fade=fade, delay=delay, clock=clock))
    over = leave + max(fade, delay) + CLEAN
    activities.append(Activity("plain", over, left=1, clock=over - leave - delay))
    turn = max(leave + delay + length, over)
    for _ in range(repeats - 1):
        activities.append(Activity("plain", turn, left=1))
        turn += length
    activities.append(Activity("enter", turn, left=0, fade=show.scenes[0].fade_in))
    activities.append(Activity("plain", turn + show.scenes[0].fade_in + CLEAN, left=0))
    activities[-1].clock = show.scenes[0].fade_in + CLEAN
    second = player.play(turn + 60 - asked)
    joined = Played(
        **{
            name: np.concatenate([getattr(first, name), getattr(second, name)])
            for name in Played.__dataclass_fields__
            if name != "happened"
        },
        happened=(),
    )
    compare(show, joined, activities)
    told = [(h.frame + asked, h.what, h.scene, h.cue, h.input) for h in second.happened]
    assert told[0] == (leave + delay, What.STARTED, 1, 77, NONE)
    assert told[-1] == (turn, What.ENDED, 1, 77, NONE)
    assert len(told) == repeats + 1
    assert (joined.state[leave:turn] == State.SCENE).all()
    assert (joined.state[turn:] == State.IDLE).all()


@settings(max_examples=25, deadline=None)
@given(shows(), st.integers(0, 80))
def test_loop_to_loop_for_two_turns_and_back(show: Show, late: int) -> None:
    player = opened(show)
    activities, free = idle_from(show)
    asked = free + late
    start = player.play(asked)
    assert player.cue(5, 2, 2) == Result.DONE
    leave = knot(asked)
    fade, delay = show.transition(0, 2)
    fade_in = show.scenes[2].fade_in
    over = leave + max(fade, delay + fade_in) + CLEAN
    activities.append(Activity("leave", leave, 0, 2, fade, delay, leave - activities[-1].begins))
    activities.append(Activity("plain", over, left=2, clock=over - leave - delay))
    # two turns are over at the loop's end, but nothing leaves it before its fade is over
    back = max(leave + delay + 2 * show.scenes[2].frames, over)
    fade, delay = show.transition(2, 0)
    clock = back - activities[-2].begins - activities[-2].delay
    activities.append(Activity("leave", back, 2, 0, fade, delay, clock))
    clean = back + max(fade, delay + show.scenes[0].fade_in) + CLEAN
    activities.append(Activity("plain", clean, left=0, clock=clean - back - delay))
    after = player.play(clean + 30 - asked)
    for number in range(len(show.tracks)):
        windows = oracle.control_points(show, number, activities, clean + 30)
        np.testing.assert_array_equal(start.window[show.boot :, number], windows[show.boot : asked])
        np.testing.assert_array_equal(after.window[:, number], windows[asked:])


@settings(max_examples=25, deadline=None)
@given(shows(), st.integers(0, 80), st.booleans())
def test_hold_and_resume(show: Show, late: int, in_scene: bool) -> None:
    player = opened(show)
    activities, free = idle_from(show)
    now = free + late
    player.play(now)
    left, clock_from = 0, activities[-1].begins
    if in_scene:
        player.cue(9, 2, 0)
        leave = knot(now)
        fade, delay = show.transition(0, 2)
        activities.append(Activity("leave", leave, 0, 2, fade, delay, leave - clock_from))
        left, clock_from = 2, leave + delay
        now = leave + 1
        player.play(now - free - late)
        over = leave + max(fade, delay + show.scenes[2].fade_in) + CLEAN
    else:
        over = 0
    assert player.hold() == Result.DONE
    stop = max(knot(now), over)
    if in_scene and over < stop:
        activities.append(Activity("plain", over, left=2, clock=over - clock_from))
    activities.append(Activity("stop", stop, left=left, fade=show.stop, clock=stop - clock_from))
    still = stop + show.stop + CLEAN
    activities.append(Activity("stand", still))
    played = player.play(still + 20 - now)
    assert played.state[-1] == State.HOLD
    assert player.cue(1, 1, 1) == Result.REFUSED
    assert player.resume() == Result.DONE
    rest = knot(still + 20)
    activities.append(Activity("rest", rest, fade=show.settle))
    enter = rest + show.settle + CLEAN
    activities.append(Activity("enter", enter, left=0, fade=show.scenes[0].fade_in))
    more = player.play(enter + 12 - still - 20)
    for number in range(len(show.tracks)):
        windows = oracle.control_points(show, number, activities, enter + 12)
        np.testing.assert_array_equal(played.window[:, number], windows[now : still + 20])
        np.testing.assert_array_equal(more.window[:, number], windows[still + 20 :])
    assert more.state[-1] == State.IDLE
    stopped = [h for h in played.happened if h.what == What.STOPPED]
    assert [(h.scene, h.cue) for h in stopped] == ([(2, 9)] if in_scene else [])


def one_track(**changes: object) -> Show:
    loop = Scene(frames=60, loop=True, points=[[0, 100, 200, 100, 0, -100, -200, -100, 0, 50]], fade_in=60)
    scene = Scene(frames=60, loop=False, points=[[0, 0, 0, 300, 500, 700, 500, 300, 200, 100, 0, 0, 0]])
    show = Show(tracks=[Track(6, parked=200)], scenes=[loop, scene], idle=0, stagger=0)
    for name, value in changes.items():
        setattr(show, name, value)
    return show


def test_without_an_idle_loop_the_tracks_rest() -> None:
    player = opened(one_track(idle=NONE))
    played = player.play(200)
    assert played.state[-1] == State.IDLE
    assert (played.window[-1] == 0).all()
    player.cue(1, 1, 1)
    after = player.play(100)
    assert after.window.max() == 700
    assert (after.window[-1] == 0).all()


def test_a_second_cue_waits_and_a_third_is_told_busy() -> None:
    player = opened(one_track())
    player.play(400)
    assert player.cue(1, 1, 1) == Result.DONE
    player.play(30)
    assert player.cue(2, 1, 1) == Result.DONE
    assert player.cue(3, 1, 1) == Result.BUSY
    assert player.cue(4, 9, 1) == Result.BAD_ARGUMENT
    told = [(h.what, h.cue) for h in player.play(400).happened]
    assert told == [(What.ENDED, 1), (What.STARTED, 2), (What.ENDED, 2)]


def test_hold_reports_what_it_cancels() -> None:
    player = opened(one_track())
    player.play(400)
    player.cue(1, 1, 1)
    player.play(20)
    player.cue(2, 1, 1)
    player.hold()
    told = [(h.what, h.cue) for h in player.play(200).happened]
    assert told == [(What.STOPPED, 1), (What.STOPPED, 2)]


@pytest.mark.parametrize("repeats", [0, 3])
def test_the_loop_that_plays_already_is_only_counted(repeats: int) -> None:
    player = opened(one_track())
    player.play(403)
    quiet = player.snapshot()
    expected = player.play(500)
    player.restore(quiet)
    player.cue(8, 0, repeats)
    played = player.play(500)
    np.testing.assert_array_equal(played.window, expected.window)
    assert played.state[10] == State.SCENE
    assert (played.state[-1] == State.SCENE) == (repeats == 0)
