"""The EEPROM: counters that survive a cut at any byte, a copy of the calibration, no write in motion."""

from __future__ import annotations

import pytest

from sequencer.board.link import Link
from sequencer.board.memory import (
    HOSTS,
    SLOT,
    Copy,
    Counters,
    counters_of,
    read_copy,
    read_counters,
    write_copy,
)
from sequencer.board.reports import HOLD, IDLE, SCENE
from sequencer.errors import LinkError

FRAME = 320_000
COPY = Copy("Keeper", {7: (1500, 620, 2380), 8: (1490, 980, 2000), 10: (1400, 0, 0)})


def other(shift: int) -> Copy:
    return Copy(
        "Keeper", {pin: (centre + shift, low, high) for pin, (centre, low, high) in COPY.servos.items()}
    )


@pytest.fixture
def board(put_on_board, twelve):
    image, show, _ = twelve
    port = put_on_board(image)
    for record in show.inputs:
        port.board.drive(record.pin, int(record.active_low))
    return port


def started(port) -> Link:
    port.reset()
    link = Link(port)
    link.hello()
    return link


def test_boots_and_scenes_are_counted_over_power_cuts(board) -> None:
    link = started(board)
    first = link.hello()
    link.wait_ready()
    assert read_counters(link) == Counters(1, 0, 0.0)
    assert [step.outcome for step in link.follow(link.cue(1, 2), 1)][-1] == "played"
    board.read(1, 0.5)
    assert read_counters(link) == Counters(1, 2, 0.0)
    board.board.power_on()
    board.board.run_s(2.0)
    assert counters_of(board.board.chip.eeprom()[:32]) == Counters(2, 2, 0.0)
    assert first.fault == 0


def test_a_cut_at_any_byte_leaves_a_whole_record(board) -> None:
    """Each boot writes ten bytes; the power goes after every one of them, and while it is written."""
    chip = board.board.chip
    started(board)
    board.read(1, 1.0)
    boots = counters_of(chip.eeprom()[:32]).boots
    for cut in range(11):
        before = chip.eeprom()[:32]
        board.board.power_on()
        written: list[int] = []
        held = before
        for _ in range(400):  # a write takes 3.4 ms, one a frame
            if len(written) >= cut:
                break
            board.board.run(FRAME // 8)
            now = chip.eeprom()[:32]
            written += [at for at in range(32) if now[at] != held[at]]
            held = now
            if board.board.cycle and counters_of(held).boots != boots:
                break
        found = counters_of(held)
        assert found is not None
        assert found.boots in (boots, boots + 1)
        boots = found.boots
        if written:
            # The byte under way may be left as anything.
            at = written[-1]
            for value in (0x00, 0xFF, held[at] ^ 0x55):
                torn = held[:at] + bytes((value,)) + held[at + 1 :]
                found = counters_of(torn)
                assert found is not None
                assert found.boots in (boots - 1, boots, boots + 1)
    assert boots > 3


def test_nothing_is_written_while_something_moves(board) -> None:
    link = started(board)
    link.wait_ready()
    board.read(1, 0.5)
    chip = board.board.chip
    before = chip.eeprom()
    seen = []
    for step in link.follow(link.cue(1, 1), 1):
        if step.status.state == SCENE:
            seen.append(chip.eeprom() == before)
    assert len(seen) > 3
    assert all(seen)
    link.cue(1, 1)
    board.read(1, 0.5)
    with pytest.raises(LinkError, match="refused"):
        link.keep(HOSTS, 1)
    while link.status().state != IDLE:
        board.read(1, 0.3)
    board.read(1, 0.5)
    assert chip.eeprom() != before


def test_the_copy_is_written_in_hold_without_a_late_frame(board) -> None:
    link = started(board)
    link.wait_ready()
    link.hold()
    while link.status().state != HOLD:
        board.read(1, 0.1)
    late = link.status().late_frames
    assert read_copy(link) is None
    assert write_copy(link, COPY)
    assert read_copy(link) == COPY
    assert not write_copy(link, COPY), "what is there is not worn again"
    assert link.status().late_frames == late
    with pytest.raises(LinkError, match="bad argument"):
        link.keep(HOSTS - 1, 0)  # the board's own
    with pytest.raises(LinkError, match="bad argument"):
        link.keep(1024, 0)
    board.board.power_on()
    fresh = Link(board)
    fresh.hello()
    assert read_copy(fresh) == COPY


def test_a_cut_at_any_byte_of_a_copy_leaves_the_older_one(board, monkeypatch) -> None:
    link = started(board)
    link.workshop()
    write_copy(link, COPY)
    write_copy(link, other(1))
    chip = board.board.chip
    whole = chip.eeprom()
    writes: list[tuple[int, int]] = []
    keep = Link.keep

    def noted(self, at, value, tries=50):
        writes.append((at, value))
        keep(self, at, value)
        if writes:  # the byte before is complete now; this one is under way
            cuts.append(chip.eeprom())

    cuts: list[bytes] = []
    monkeypatch.setattr(Link, "keep", noted)
    write_copy(link, other(2))
    assert {at // (HOSTS + SLOT) for at, _ in writes} == {0}, "the older slot"
    assert len(writes) == 20 + 3 * 7 + 4
    from sequencer.board.memory import _newest, decode

    def found(memory: bytes) -> Copy | None:
        newest = _newest([(at, memory[at : at + SLOT]) for at in (HOSTS, HOSTS + SLOT)])
        return None if newest is None else newest[2]

    assert found(whole) == other(1)
    for cut in cuts[:-1]:
        assert found(cut) == other(1)
    at, value = writes[-2]
    for torn in (0x00, 0xFF, value ^ 0x55):
        assert found(cuts[-2][:at] + bytes((torn,)) + cuts[-2][at + 1 :]) == other(1)
    assert found(cuts[-1]) in (other(1), other(2))
    assert read_copy(link) == other(2)
    assert decode(b"") is None
