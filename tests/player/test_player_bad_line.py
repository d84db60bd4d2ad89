"""The link on a bad line: no cue twice, none lost unreported, nothing done that nobody asked."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sequencer.board.link import Link
from sequencer.board.reports import SCENE, STARTED
from sequencer.errors import LinkError
from sequencer.player.machine import Machine
from sequencer.player.player import Fault, Player
from tests.player import oracle
from tests.player.bad_line import BadLine, Faults, cue_again_and_again, happened
from tests.player.oracle import Scene, Show, Track

#: Cues in all; each rate has a quarter of them.
CUES = 100_000


def show(frames: int) -> bytes:
    """Three scenes of so many frames, without a loop between them."""
    still = Scene(frames=frames, loop=False, points=[None])
    return oracle.write(Show(tracks=[Track(6)], scenes=[still] * 3, settle=6, stop=6, stagger=0, boot=0))


def bad_board(host: Callable[[], Machine], image: bytes, odds: float, seed: int) -> BadLine:
    player = Player(machine=host)
    assert player.boot(image, 1) == Fault.OK
    return BadLine(player._machine, image, Faults(odds, seed), Faults(odds, seed + 1))


@pytest.mark.parametrize(("odds", "seed"), [(0.01, 11), (0.03, 22), (0.06, 33), (0.1, 44)])
def test_a_cue_is_played_once_or_reported(
    host: Callable[[], Machine], odds: float, seed: int, capsys: pytest.CaptureFixture[str]
) -> None:
    line = bad_board(host, show(6), odds, seed)
    link = Link(line)
    told = cue_again_and_again(line, link, CUES // 4, 3, seed)
    with capsys.disabled():
        print(f"\n  {odds:.0%} of each fault, both ways: {dict(told)}")
        print(f"  {line.to_board.done} to the board, {link.damaged_frames} damaged frames heard")
    assert all(count > 0.5 * odds * CUES / 4 for count in line.to_board.done.values())
    assert told["played"] > 0.99 * CUES / 4


def in_a_scene(host: Callable[[], Machine]) -> tuple[BadLine, Link, int]:
    line = bad_board(host, show(600), 0.0, 1)
    link = Link(line)
    link.hello(quiet_s=0.1)
    link.wait_ready()
    cue = link.cue(1)
    link.reports(0.5)
    assert link.status().state == SCENE
    return line, link, cue


def test_a_reset_in_a_scene_that_nobody_heard_is_told_and_nothing_is_played_again(
    host: Callable[[], Machine],
) -> None:
    line, link, cue = in_a_scene(host)
    line.reset()
    with pytest.raises(LinkError, match="board reset; the cue was interrupted"):
        link.cue(2)
    line.wait(5.0)
    assert [report.number("cue") for report in happened(bytes(line.said))] == [cue], "the first one's start"
    link.hello()
    link.cue(2)
    line.wait(1.0)
    assert happened(bytes(line.said))[-1].number("scene") == 2


def test_a_follower_notices_a_reset_that_nobody_heard(host: Callable[[], Machine]) -> None:
    line, link, cue = in_a_scene(host)
    steps = link.follow(cue, 1)
    next(steps)
    line.reset()
    with pytest.raises(LinkError, match="interrupted"):
        list(steps)


def test_unplugged_and_plugged_in_again_the_scene_goes_on_and_is_not_played_again(
    host: Callable[[], Machine],
) -> None:
    """The supply stays: only the line is away, for two seconds."""
    line, link, cue = in_a_scene(host)
    line.plugged = False
    with pytest.raises(LinkError, match="does not answer"):
        link.status()
    line.plugged = True
    again = Link(line)
    assert again.hello(quiet_s=0.1).boot == link._boot
    status = again.status()
    assert (status.state, status.scene, status.cue) == (SCENE, 1, cue)
    line.wait(15.0)
    started = [report for report in happened(bytes(line.said)) if report.number("what") == STARTED]
    assert [report.number("cue") for report in started] == [cue]
