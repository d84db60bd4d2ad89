"""Lamps, switches and inputs as FORMAT.md says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sequencer.player.player import Fault, Played, Player, Result, What
from tests.player import oracle
from tests.player.oracle import NONE, Input, Scene, Show, mul, varint, weight


def played_alone(
    lamp: bytes | None = None, switch: bytes | None = None, max_on: int = 0, frames: int = 300, rest: int = 20
) -> Played:
    """One scene from rest, no tracks, no idle loop; the first row is its first frame."""
    scene = Scene(frames=frames, loop=False, points=[], lamps=[lamp or b"\0"], switches=[switch or b"\0"])
    show = Show(tracks=[], scenes=[scene], lamp_rest=[rest], max_on=[max_on], boot=0, settle=6)
    player = Player(oracle.write(show))
    assert player.open() == Fault.OK
    player.play(60)
    player.cue(1, 0, 1)
    return player.play(frames)


Record = tuple[int, int, int]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 200), st.integers(-1, 50)), max_size=6))
def test_steps_and_ramps(records: list[Record]) -> None:
    """(wait, lightness, ramp's frames or -1 for a step) against a plain reading of the page."""
    stream = b""
    begins = 0
    timeline = []
    for wait, lightness, length in records:
        begins += wait
        timeline.append((begins, lightness * 256, max(length, 0)))
        stream += bytes([1 if length < 0 else 2]) + varint(wait) + bytes([lightness])
        stream += varint(length) if length >= 0 else b""
    expected = []
    start, goal, since, length = 20 * 256, 20 * 256, 0, 0

    def level(frame: int) -> int:
        f = frame - since
        if f >= length:
            return goal
        return start + (1 if goal > start else -1) * (abs(goal - start) * f // length)

    for frame in range(300):
        for begin, to, frames in timeline:
            if begin == frame:
                start, goal, since, length = level(frame), to, frame, frames
        expected.append(level(frame))
    got = played_alone(lamp=stream + b"\0").lamp_lightness_q8[:, 0]
    np.testing.assert_array_equal(got, expected)


def flickers(kind: int, depth: int, seed: int, frames: int = 200) -> NDArray[np.int64]:
    stream = b"\x01\x00" + bytes([150]) + b"\x03\x00" + bytes([kind, depth]) + seed.to_bytes(2, "little")
    played = played_alone(lamp=stream + varint(frames) + b"\0")
    return played.lamp_lightness_q8[:, 0].astype(np.int64)


def generator(seed: int) -> int:
    x = (seed ^ seed << 7) & 0xFFFF
    x ^= x >> 9
    return (x ^ x << 8) & 0xFFFF


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 65535), st.integers(0, 200))
def test_gutter_by_the_page(seed: int, depth: int) -> None:
    """Independent: targets by x * (depth + 1) >> 16, held 2 + (x * 4 >> 16) frames, a quarter a frame."""
    x, dip, hold, target = seed or 1, 0, 0, 0
    expected = []
    for _ in range(200):
        if hold == 0:
            x = generator(x)
            target = (x * (depth + 1) >> 16) * 256
            x = generator(x)
            hold = 2 + (x * 4 >> 16)
        hold -= 1
        dip += (target - dip + 3) // 4 if target >= dip else -((dip - target + 3) // 4)
        expected.append(max(150 * 256 - dip, 0))
    got = flickers(1, depth, seed)
    np.testing.assert_array_equal(got[:200], expected)
    assert (got[200:] == 150 * 256).all()


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 65535), st.integers(1, 150))
def test_failing_drops_and_returns(seed: int, depth: int) -> None:
    got = flickers(2, depth, seed, frames=290)[:290]
    assert set(got.tolist()) <= {150 * 256, (150 - depth) * 256}
    edges = np.flatnonzero(np.diff(got)) + 1
    runs = np.diff(np.concatenate([[0], edges]))
    assert got[0] == 150 * 256
    assert all(4 <= run <= 35 for run in runs[::2])
    assert all(1 <= run <= 6 for run in runs[1::2])


def test_a_loop_repeats_its_flicker_and_its_switch() -> None:
    lamp = b"\x01\x00\x64" + b"\x03\x06\x01\x50\x07\x00\x3c" + b"\x01\x3c\x64\0"
    scene = Scene(
        frames=120,
        loop=True,
        points=[],
        lamps=[lamp],
        switches=[varint(2 * 30 + 2) + varint(2 * 9 + 1) + b"\0"],
    )
    show = Show(tracks=[], scenes=[scene], lamp_rest=[100], max_on=[0], idle=0, boot=0, settle=6)
    player = Player(oracle.write(show))
    player.open()
    player.play(18 + 120)
    turns = player.play(360)
    np.testing.assert_array_equal(turns.lamp_duty[:120], turns.lamp_duty[120:240])
    assert len(set(turns.lamp_duty[:120, 0].tolist())) > 5
    np.testing.assert_array_equal(np.flatnonzero(turns.switches[:120]), np.arange(30, 39))
    np.testing.assert_array_equal(turns.switches[:120], turns.switches[120:240])


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=8), st.integers(0, 30))
def test_switch_events_and_the_longest_on_time(events: list[tuple[int, bool]], max_on: int) -> None:
    stream = b"".join(varint(2 * wait + on + 1) for wait, on in events) + b"\0"
    expected = []
    begins = np.cumsum([wait for wait, _ in events]).tolist()
    on, lasted = False, 0
    for frame in range(300):
        for begin, (_, told) in zip(begins, events, strict=True):
            if begin == frame:
                lasted = lasted if told == on else 0
                on = told
        if on and max_on and lasted >= max_on:
            on = False
        lasted += on
        expected.append(on)
    got = played_alone(switch=stream, max_on=max_on)
    np.testing.assert_array_equal(got.switches.astype(bool), expected)


def test_lamps_fade_with_the_transition_and_switches_wait_for_the_scene() -> None:
    loop = Scene(frames=60, loop=True, points=[], lamps=[b"\x01\x00\x64\0"], switches=[b"\x02\0"])
    scene = Scene(frames=120, loop=False, points=[], lamps=[b"\x01\x00\xc8\0"], switches=[b"\x02\0"])
    show = Show(tracks=[], scenes=[loop, scene], transitions={(0, 1): (60, 18)}, idle=0, boot=0, settle=6)
    show.lamp_rest, show.max_on = [10], [0]
    player = Player(oracle.write(show))
    player.open()
    player.play(120)
    player.cue(1, 1, 1)
    played = player.play(100)
    assert player.levels == 0
    for frame in range(100):
        target = (200 if frame >= 18 else 10) * 256
        expected = 100 * 256 + mul(32768 - weight(frame, 60), target - 100 * 256)
        assert played.lamp_lightness_q8[frame, 0] == expected
    np.testing.assert_array_equal(np.flatnonzero(played.switches), np.arange(18, 100))


def triggered(**changes: int) -> Player:
    scenes = [Scene(frames=6, loop=False, points=[]) for _ in range(2)]
    show = Show(tracks=[], scenes=scenes, boot=0, settle=6, inputs=[Input(**{"scene": 0, **changes})])
    player = Player(oracle.write(show))
    player.open()
    player.play(30)
    return player


def crossing(player: Player, frames: int = 12) -> list[tuple[What, int, int]]:
    """Somebody walks through the beam: low for three frames."""
    player.sample(0)
    first = player.play(3).happened
    player.sample(1)
    return [(h.what, h.scene, h.input) for h in (*first, *player.play(frames - 3).happened)]


def test_a_beam_triggers_once_a_crossing_and_every_nth_is_special() -> None:
    player = triggered(nth=3, nth_scene=1)
    for scene in (0, 0, 1, 0, 0, 1):
        told = crossing(player, 30)
        assert told == [(What.TRIGGERED, scene, 0), (What.STARTED, scene, 0), (What.ENDED, scene, 0)]


def test_cooldown_and_a_beam_that_is_broken_from_the_start() -> None:
    player = triggered(cooldown=100)
    assert crossing(player, 30)
    assert crossing(player, 80) == []
    assert crossing(player, 30)[0] == (What.TRIGGERED, 0, 0)
    player.open()
    player.sample(0)
    assert [h.what for h in player.play(100).happened] == []


def test_debounce_counts_sixths_of_a_frame() -> None:
    slow = triggered(debounce=13)
    slow.sample(0)
    assert slow.play(2).happened == ()
    slow.sample(1)
    assert slow.play(10).happened == ()
    slow.sample(0)
    assert [h.frame for h in slow.play(3).happened if h.what == What.TRIGGERED] == [2]


def test_never_every_nth_is_never_even_after_256_crossings() -> None:
    player = triggered(nth=0, nth_scene=1)
    for number in range(260):
        told = crossing(player, 18)
        assert told == [(What.TRIGGERED, 0, 0), (What.STARTED, 0, 0), (What.ENDED, 0, 0)], number


@pytest.mark.parametrize("nth_scene", [0, NONE])
def test_an_input_without_a_scene_starts_and_tells_nothing(nth_scene: int) -> None:
    player = triggered(scene=NONE, nth_scene=nth_scene)
    for _ in range(260):
        assert crossing(player, 12) == []
    assert player.cue(7, 1) == Result.DONE
    assert [(h.what, h.cue, h.input) for h in player.play(20).happened] == [
        (What.STARTED, 7, NONE),
        (What.ENDED, 7, NONE),
    ]


def test_an_input_that_only_plays_every_nth_time() -> None:
    player = triggered(scene=NONE, nth=3, nth_scene=1)
    for number in range(6):
        told = crossing(player, 30)
        assert told == (
            [] if number % 3 != 2 else [(w, 1, 0) for w in (What.TRIGGERED, What.STARTED, What.ENDED)]
        )
