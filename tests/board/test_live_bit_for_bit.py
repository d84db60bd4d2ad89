"""Live control of the shipped hex is the core's, bit for bit: every pulse of every frame, every answer."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.board.live import Limb, LiveControl
from sequencer.board.reports import DONE, IDLE, LATE, LIVE, SETTLE
from sequencer.motion.live import LiveTrack
from sequencer.motion.live_pair import LivePair
from sequencer.player.player import Played, Result
from tests.board.heard_in_step import Captured, MidFrameLine, core_hears, results
from tests.player import oracle
from tests.player.oracle import Scene, Show
from tests.player.test_player_live import track, wander
from tests.player.test_player_streaming import NECK, SPECS

PINS = [4, 7, 8, 9]
TURN, JAW = 1, 3
#: Frames in 250 ms.
SOON = 12.5


def swaying_show() -> bytes:
    """A neck of two servos, a turn and a jaw, each of which sways while nobody asks for anything."""
    sway = [[spec.rest + size for size in (0, 9, 15, 9, 0, -9, -15, -9, 0, 5)] for spec in SPECS]
    counts = [60 // spec.knot_frames for spec in SPECS]
    points = [(points * 3)[:count] for points, count in zip(sway, counts, strict=True)]
    return oracle.write(
        Show(
            tracks=[replace(track(spec), pin=pin) for spec, pin in zip(SPECS, PINS, strict=True)],
            scenes=[Scene(frames=60, loop=True, points=points, fade_in=60)],
            idle=0,
            settle=300,
            stop=60,
            stagger=0,
            boot=5,
        )
    )


class Moved:
    """A board whose figure a host moves live: the pair as one limb, turn and jaw as two more."""

    def __init__(self, port: EmulatedTransport) -> None:
        port.board.capture(PINS)
        self.image = swaying_show()
        self.board = port.board
        self.line = MidFrameLine(port, PINS[0])
        self.line.forget()
        port.reset()
        self.link = Link(self.line)
        self.boot = self.link.hello().boot
        self.link.wait_ready()
        self.limbs = (
            Limb([0, 2], LivePair(NECK, (SPECS[0], SPECS[2]))),
            Limb([TURN], LiveTrack(SPECS[TURN])),
            Limb([JAW], LiveTrack(SPECS[JAW])),
        )
        self.control = LiveControl(self.link, self.limbs)
        self.control.begin()

    def move(self, targets: list[list[float]], seconds: float) -> None:
        end = self.link.now_s() + seconds
        while self.link.now_s() < end:
            self.control.step(targets)
            self.link.reports(0.004)

    def fall_silent(self) -> int:
        """The cycle of the last word; the board is left alone until it idles again."""
        last = self.line.said[-1][0]
        self.board.run_s(10.0)
        assert self.link.status().state == IDLE
        return last

    def compare(self) -> tuple[Captured, Played]:
        captured = Captured(self.board, PINS)
        core, answers = core_hears(self.image, self.line, captured, self.boot, 0)
        np.testing.assert_array_equal(captured.widths, core.pulse_sixteenths)
        heard = results(self.line.answered)
        assert heard == results(answers)
        return captured, core


@pytest.fixture
def moved(put_on_board: Callable[[bytes], EmulatedTransport]) -> Moved:
    return Moved(put_on_board(swaying_show()))


def test_the_pins_play_what_the_core_plays_and_a_pair_keeps_its_faces(moved: Moved, capsys) -> None:
    chance = random.Random(6)
    for _ in range(12):
        left, turn, right, jaw = (wander(chance, spec) for spec in SPECS)
        moved.move([[left, right], [turn], [jaw]], 0.7)
    moved.control.end()
    captured, core = moved.compare()
    live = np.flatnonzero(core.scene == LIVE)
    assert len(live) > 400
    points = core.window[:, :, 3].astype(int)
    spans = np.ptp(points[live], axis=0)
    assert (spans > [0.4 * (spec.high - spec.low) for spec in SPECS]).all(), "it hardly moved"
    for face in NECK.faces:
        assert (face.a * points[:, 0] + face.b * points[:, 2]).max() <= face.inner
    told = moved.control.told
    assert (told.refused, told.torn) == (0, 0)
    assert told.taken > 200
    with capsys.disabled():
        print(
            f"\n  {len(captured.widths)} frames of {len(PINS)} servos equal, {len(live)} live; {told.words}"
        )


def test_a_refused_point_leaves_the_board_on_the_way_that_it_has(moved: Moved) -> None:
    """Beyond each bound, not ending at rest, too late, too early: refused, and nothing of it is played."""
    moved.move([[900.0, -400.0], [3000.0], [300.0]], 1.5)
    spec = SPECS[TURN]
    steady = moved.limbs[1].tracks[0].last
    velocity, acceleration, jerk = spec.bounds
    now = moved.link.status().frame // spec.knot_frames + 2
    before = len(results(moved.line.answered))
    refused = [
        (now, [steady + velocity + 1] * 3, Result.REFUSED),
        (now, [steady + min(acceleration, jerk) + 1] * 3, Result.REFUSED),
        (now, [spec.high + 1] * 3, Result.REFUSED),
        (now, [steady, steady, steady + 1], Result.BAD_ARGUMENT),
        (now, [steady, steady], Result.BAD_ARGUMENT),
        (now + 9, [steady] * 3, Result.BAD_ARGUMENT),
        (now - 6, [steady] * 3, LATE),
    ]
    told = [moved.link.live(TURN, at, points) for at, points, _ in refused]
    assert told == [result for _, _, result in refused]
    moved.move([[900.0, -400.0], [3000.0], [300.0]], 0.3)
    assert moved.link.live(TURN, moved.control._due(moved.limbs[1]), [steady] * 3) == DONE
    moved.control.end()
    _, core = moved.compare()
    assert len(results(moved.line.answered)) > before + len(refused)
    live = core.scene == LIVE
    assert core.window[live, TURN].max() == steady == 3000


@pytest.mark.parametrize("moving", [False, True], ids=["standing", "moving"])
def test_a_host_that_falls_silent_leads_to_rest_which_begins_within_250_ms(
    moved: Moved, moving: bool
) -> None:
    moved.move([[1800.0, 600.0], [6000.0], [-700.0]], 4.0)
    if moving:
        moved.move([[-1800.0, 200.0], [-6000.0], [600.0]], 0.35)
    ways = [way for limb in moved.limbs for way in limb.ways()]
    assert moving == any(len(set(way)) > 1 for way in ways)
    last = moved.fall_silent()
    captured, core = moved.compare()
    silent = captured.frame_of(last)
    state, scene = core.state[silent:], core.scene[silent:]
    settles = int(np.flatnonzero(state == SETTLE)[0])
    if moving:  # it slows down first, by the way that came with the last point: from its next point on
        window = core.window[silent : silent + settles]
        assert len(np.unique(window[:, TURN, 3])) > 3
        stood = np.flatnonzero((window != window[:, :, 3:]).any(axis=(1, 2)))[-1] + 1
        assert settles - stood <= 6, "rest is gone to at the next common knot"
        ways_end = max(len(way) * spec.knot_frames for way, spec in zip(ways, SPECS, strict=True))
        assert stood <= SOON + ways_end
    else:
        assert settles <= SOON
    assert (scene[:settles] == LIVE).all()
    rest = captured.widths[silent + settles :]
    assert (rest[25] != rest[0]).any(), "it moves"
    assert state[-1] == IDLE
