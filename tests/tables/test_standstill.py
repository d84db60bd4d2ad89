"""The longest time from a stop to standing still, as it is printed, against what the player does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pytest

from sequencer.cli.main import run
from sequencer.player.player import Fault, Player, State
from sequencer.show import BuiltShow
from sequencer.show_folder import demo_folder
from sequencer.tables.extra_stopping import (
    TAG,
    StoppingContent,
    TrackStopping,
    read_stopping,
    stopping_extra,
)
from sequencer.tables.image import build_image
from sequencer.tables.model import ShowImage, Transition
from sequencer.tables.standstill import Standstill, sentence, standstill

FRAME_S = 0.02
#: As long as any stop may take, and a good deal more.
LONG = 300


@dataclass(frozen=True)
class Pressed:
    """One press: seconds until what does not park stands for good, until all does, and where it was heard."""

    held_s: float
    all_s: float
    while_settling: bool


class Presser:
    """A player of a show, whose stop is pressed at one moment after the other."""

    def __init__(self, show: ShowImage, image: bytes) -> None:
        self.player = Player(image)
        assert self.player.open() is Fault.OK
        self.calm = self.player.levels
        stop = next(i for i, record in enumerate(show.inputs) if record.kind == "stop")
        self.stopped = self.calm ^ 1 << stop
        extra = next((item.content for item in show.extras if item.tag == TAG), None)
        rows = read_stopping(extra, len(show.tracks)).tracks if extra is not None else ()
        self.parks = np.array([row.parks for row in rows] or [False] * len(show.tracks))

    def moments(self, frames: int) -> Iterator[Pressed]:
        """A press before each of the next frames, which are then played without one."""
        for _ in range(frames):
            here = self.player.snapshot()
            self.player.sample(self.stopped)
            played = self.player.play(LONG)
            moves = (np.diff(played.position, axis=0, prepend=played.position[:1]) != 0) | (
                (played.velocity != 0) | (played.acceleration != 0)
            )
            assert played.state[-1] == State.HOLD
            assert not moves[-20:].any()
            heard = played.state[np.flatnonzero(played.state == State.HOLD)[0] - 1]
            yield Pressed(
                _until_still(moves[:, ~self.parks]), _until_still(moves), heard in (State.BOOT, State.SETTLE)
            )
            self.player.restore(here)
            self.player.sample(self.calm)
            self.player.play(1)


def _until_still(moves: np.ndarray) -> float:
    """From the beginning of the first frame to the end of the last one in which anything moves."""
    rows = np.flatnonzero(moves.any(axis=1))
    return FRAME_S * (int(rows[-1]) + 1 if len(rows) else 0)


def every_kind_of_moment(show: ShowImage, image: bytes) -> Iterator[Pressed]:
    """Settling, a turn of idle, and of every scene its beginning, its middle and its end."""
    presser = Presser(show, image)
    yield from presser.moments(show.boot_frames + 6 * show.stagger_frames + show.settle_frames + 60)
    idle = next(scene for scene in show.scenes if scene.name == show.idle)
    yield from presser.moments(min(idle.frames, 150))
    rest = presser.player.snapshot()
    for number, scene in enumerate(show.scenes):
        presser.player.restore(rest)
        assert presser.player.cue(1, number, 1) == 0
        yield from presser.moments(110)
        yield from presser.moments(min(80, max(0, scene.frames - 150)))
        presser.player.play(max(0, scene.frames - 150 - 80))
        yield from presser.moments(60)


def check(show: ShowImage, image: bytes) -> Standstill:
    found = standstill(show)
    presses = list(every_kind_of_moment(show, image))
    playing = max(press.held_s for press in presses if not press.while_settling)
    settling = max(press.held_s for press in presses if press.while_settling)
    assert 0.8 * found.playing_s <= playing <= found.playing_s
    assert 0.8 * found.settling_s <= settling <= found.settling_s
    for press in presses:
        longest = found.settling_s if press.while_settling else found.playing_s
        assert press.all_s <= longest + found.parking_s
    return found


def test_the_keeper_stands_as_soon_as_is_said(keeper: BuiltShow) -> None:
    assert check(keeper.contents, keeper.image).parking_s == 0.0


def test_what_parks_is_told_beside_it(keeper: BuiltShow) -> None:
    rows = tuple(  # the neck; what settles and is held is the jaw
        TrackStopping(parks=track.name.startswith("neck"), balanced=False, falls_silent=False)
        for track in keeper.contents.tracks
    )
    parks = stopping_extra(StoppingContent(48, 0, rows))
    show = replace(keeper.contents, extras=(parks,))
    found = check(show, build_image(show))
    # 12 frames until it stands for certain, 48 of the profile, a knot
    assert found.parking_s == pytest.approx(66 * FRAME_S)
    assert "What parks then moves on, for up to 1.32 s" in sentence(found)


def test_each_part_counts(keeper: BuiltShow) -> None:
    """In frames, by hand."""
    show = keeper.contents
    assert (show.settle_frames, show.stop_frames, max(t.knot_frames for t in show.tracks)) == (60, 30, 6)
    # 2 of debounce (9 sixths), 2 of the board; a fade of 36, 12 until clean, less its first; stop; knot.
    assert standstill(show).playing_s == pytest.approx((2 + 2 + 47 + 30 + 6) * FRAME_S)
    assert standstill(show).settling_s == pytest.approx((2 + 2 + 59 + 6) * FRAME_S)
    slow = tuple(replace(record, debounce=15) for record in show.inputs)
    assert standstill(replace(show, inputs=slow)).playing_s == pytest.approx((3 + 2 + 47 + 30 + 6) * FRAME_S)
    # A loop that comes late and fades in itself.
    late = replace(show.scenes[0], loop=True, fade_in_frames=18)
    row = (Transition(30, 60), *show.transitions[0][1:])
    more = replace(show, scenes=(late, *show.scenes[1:]), transitions=(row,))
    assert standstill(more).playing_s == pytest.approx((2 + 2 + 60 + 18 + 11 + 30 + 6) * FRAME_S)
    # Nothing to fade: a common knot, or live control's points in hand.
    bare = replace(show, inputs=(), scenes=(), idle=None, transitions=(), stop_frames=6)
    assert standstill(bare).playing_s == pytest.approx((2 + 72) * FRAME_S)
    assert standstill(replace(bare, stop_frames=90)).playing_s == pytest.approx((2 + 5 + 90 + 6) * FRAME_S)
    assert "there is no stop input" in sentence(standstill(bare))


def test_the_sheet_says_it_in_one_sentence(keeper: BuiltShow, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["figure", str(demo_folder()), "--detail"]) == 0
    found = standstill(keeper.contents)
    said = capsys.readouterr().out
    assert (
        f"From a press of stop to standing still takes up to {found.playing_s:.2f} s; while he settles after "
        f"power-on up to {found.settling_s:.2f} s. It is a software stop"
    ) in said
    assert said.index("The longest transition") < said.index("From a press of stop")
