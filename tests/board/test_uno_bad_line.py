"""The shipped firmware on a bad line: no cue twice, none lost unreported, nothing that nobody asked."""

from __future__ import annotations

from sequencer.board.link import Link
from tests.player import oracle
from tests.player.bad_line import Faults, FaultyPort, cue_again_and_again
from tests.player.oracle import Scene, Show, Track

CUES, ODDS, SEED = 1000, 0.04, 5


def test_a_thousand_cues(put_on_board, capsys):
    still = Scene(frames=6, loop=False, points=[None])
    image = oracle.write(Show(tracks=[Track(6)], scenes=[still] * 3, settle=6, stop=6, stagger=0, boot=0))
    port = put_on_board(image)
    port.reset()
    with Link(port) as clean:
        clean.hello()
        clean.wait_ready()
        line = FaultyPort(port, Faults(ODDS, SEED), Faults(ODDS, SEED + 1))
        link = Link(line)
        told = cue_again_and_again(line, link, CUES, 3, SEED)
    with capsys.disabled():
        print(f"\n  AVR, {ODDS:.0%} of each fault, both ways: {dict(told)}")
    assert all(count > 0.5 * ODDS * CUES for count in line.to_board.done.values())
    assert told["played"] > 0.99 * CUES
    assert port.board.overruns == 0
