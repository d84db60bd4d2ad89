"""Flashing the virtual board: page by page, interrupted anywhere, wrong chip, bad flash, fresh resets."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.board.chips import UNO
from sequencer.board.flash import TRAP, flash_board, trap_page
from sequencer.board.stk500 import Loader
from sequencer.board.virtual import Mode
from sequencer.board.virtual_loader import Ending, boot_loader
from sequencer.errors import LinkError, LoaderError

PAGE = 128


def put(rig, content, crcs, **options):
    return flash_board(rig.port, content, *crcs(content), **options)


def test_a_blank_board_gets_everything_and_says_hello(bench, flash_of, crcs) -> None:
    content = flash_of(image=1)
    rig = bench(player=content)
    result = put(rig, content, crcs)
    assert result.outcome == "flashed"
    assert bytes(rig.board.flash) == content
    assert result.hello.image_crc == crcs(content)[0]
    assert rig.board.mode is Mode.PLAYER


def test_the_same_show_again_is_nothing_to_do_without_the_loader(bench, flash_of, crcs) -> None:
    content = flash_of()
    rig = bench(content)
    told = []
    result = put(rig, content, crcs, progress=lambda *step: told.append(step))
    assert (result.outcome, result.pages_written, told) == ("nothing to do", 0, [])
    assert rig.board.resets == 2  # power, and the one that asks for the hello
    assert rig.port.now_s() < 2.0


def test_forced_it_compares_every_page_and_writes_none(bench, flash_of, crcs) -> None:
    content = flash_of()
    rig = bench(content)
    writes = []
    rig.board.faults.keep = lambda address, data: writes.append(address) or data
    result = put(rig, content, crcs, force=True)
    assert (result.outcome, writes) == ("nothing to do", [])


def test_only_differing_pages_are_written_trap_first_true_page_last(bench, flash_of, crcs) -> None:
    old, new = flash_of(image=1), flash_of(image=2)
    rig = bench(old)
    writes = []

    def keep(address, data):
        writes.append((address, data[:2]))
        return data

    rig.board.faults.keep = keep
    result = put(rig, new, crcs)
    differing = [at for at in range(0, 0x7E00, PAGE) if old[at : at + PAGE] != new[at : at + PAGE]]
    assert writes[0] == (0, TRAP)
    assert [address for address, _ in writes[1:-1]] == differing
    assert writes[-1] == (0, new[:2])
    assert result.pages_written == len(differing)
    assert bytes(rig.board.flash) == new


def test_the_loaders_own_range_is_never_written(bench, flash_of, crcs) -> None:
    content = bytearray(flash_of())
    content[0x7E00] = 0x11
    with pytest.raises(LoaderError, match="boot loader's range"):
        put(bench(), bytes(content), crcs)


def test_progress_counts_up_to_its_total(bench, flash_of, crcs) -> None:
    content = flash_of()
    told = []
    put(bench(player=content), content, crcs, progress=lambda *step: told.append(step))
    for what in ("reading", "writing", "verifying"):
        counts = [(done, total) for name, done, total in told if name == what]
        assert counts[-1][0] == counts[-1][1]
        assert all(done <= total for done, total in counts)


#: An Uno with its loader at 2 KB: everything as in life, a sixteenth of the pages to read.
SMALL = dataclasses.replace(UNO, usable=0x800)


def host_bytes(bench, old, new, crcs):
    rig = bench(old, player=new)
    sent = []
    rig.board.faults.to_board = lambda data: sent.append(len(data)) or data
    put(rig, new, crcs, chip=SMALL)
    return sent


def test_unplugged_at_any_command_the_board_is_old_or_dead_or_new(bench, flash_of, crcs) -> None:
    """The cable goes away before, within and after each thing the host says."""
    old, new = flash_of(image=1, image_size=300), flash_of(image=2, image_size=300)
    sent = host_bytes(bench, old, new, crcs)
    first_write = next(at for at, size in enumerate(sent) if size == 133)
    # Reading the old pages is one long row of equal steps: a few of them are enough.
    steps = [*range(7), first_write // 2, *range(first_write - 2, len(sent))]
    seen = set()
    for step in steps:
        for cut in (sum(sent[:step]), sum(sent[:step]) + sent[step] // 2):
            rig = bench(old, player=new)
            rig.board.faults.unplug_after = cut
            if cut >= sum(sent):
                continue
            with pytest.raises((LoaderError, LinkError)) as caught:
                put(rig, new, crcs, chip=SMALL)
            rig.board.faults.unplug_after = None
            rig.board.reset(cause=1)
            flash = bytes(rig.board.flash)
            fate = "old" if flash == old else "new" if flash == new else "dead"
            seen.add(fate)
            if fate == "dead":
                assert rig.board.mode is Mode.DEAD
                assert flash[:PAGE] == trap_page(PAGE)
                assert "dead but safe" in str(caught.value)
                assert "quarterjack flash" in str(caught.value)
            if fate == "old":
                assert rig.board.mode is Mode.PLAYER
    assert seen >= {"old", "dead", "new"}


def test_an_interrupted_upload_is_finished_by_running_it_again(bench, flash_of, crcs) -> None:
    old, new = flash_of(image=1), flash_of(image=2)
    sent = host_bytes(bench, old, new, crcs)
    rig = bench(old)
    first_write = next(at for at, size in enumerate(sent) if size == 133)
    rig.board.faults.unplug_after = sum(sent[: first_write + 5])
    with pytest.raises(LoaderError, match="interrupted after"):
        put(rig, new, crcs, chip=SMALL)
    rig.board.faults.unplug_after = None
    result = put(rig, new, crcs, chip=SMALL)
    assert bytes(rig.board.flash) == new
    assert result.outcome == "flashed"


@pytest.mark.parametrize(("deaf", "resets"), [(1, 2), (3, 4)])
def test_each_try_to_sync_starts_from_a_fresh_reset(bench, flash_of, deaf: int, resets: int) -> None:
    rig = bench(flash_of())
    heard = []

    def lose(data: bytes) -> bytes:
        heard.append(data)
        return b"" if len(heard) <= deaf else data

    rig.board.faults.to_board = lose
    before = rig.board.resets
    Loader(rig.port).sync()
    assert rig.board.resets - before == resets


def test_a_garbled_sync_byte_resets_the_loader_and_the_next_reset_heals(bench, flash_of) -> None:
    rig = bench(flash_of())
    heard = []

    def spoil(data: bytes) -> bytes:
        heard.append(data)
        return b"\x30\x99" if len(heard) == 1 else data

    rig.board.faults.to_board = spoil
    Loader(rig.port).sync()
    assert heard == [b"\x30\x20"] * 2


def test_a_silent_board_says_so_once_with_a_checklist(bench, flash_of) -> None:
    rig = bench(flash_of(), silent=True)
    before = rig.board.resets
    with pytest.raises(LoaderError, match="isn't answering") as caught:
        Loader(rig.port).sync()
    text = str(caught.value)
    for hint in ("data cable", "quarterjack ports", "pins 0 and 1"):
        assert hint in text
    assert rig.board.resets - before == 5
    assert text.count("isn't answering") == 1


def test_something_else_that_answers_is_told_apart(bench, flash_of) -> None:
    rig = bench(flash_of())
    rig.board.faults.to_host = lambda data: b"??"
    with pytest.raises(LoaderError, match="answers, but not as an Uno's boot loader"):
        Loader(rig.port).sync()


def test_another_chip_is_named_beside_the_wanted_one(bench, flash_of, crcs) -> None:
    content = flash_of()
    rig = bench(player=content)

    def mega(data: bytes) -> bytes:
        return data.replace(b"\x1e\x95\x0f", b"\x1e\x98\x01")

    rig.board.faults.to_host = mega
    with pytest.raises(LoaderError, match="ATmega2560") as caught:
        put(rig, content, crcs)
    assert "1E 98 01" in str(caught.value)
    assert "1E 95 0F (ATmega328P)" in str(caught.value)
    assert set(rig.board.flash) == {0xFF}


def test_flash_that_does_not_keep_tells_how_many_where_and_why(bench, flash_of, crcs) -> None:
    content = flash_of()
    rig = bench(player=content)

    def worn(address: int, data: bytes) -> bytes:
        return bytes((data[0] ^ 4, data[1] ^ 1)) + data[2:] if address == PAGE else data

    rig.board.faults.keep = worn
    with pytest.raises(LoaderError, match="2 bytes differ, from 0x0080 to 0x0081, in 1 of") as caught:
        put(rig, content, crcs)
    assert "worn out" in str(caught.value)
    assert "interrupted" not in str(caught.value)
    rig.board.reset(cause=1)
    assert rig.board.mode is Mode.DEAD


def test_a_last_page_that_does_not_keep_leaves_the_trap(bench, flash_of, crcs) -> None:
    content = flash_of()
    rig = bench(player=content)
    rig.board.faults.keep = lambda address, data: (
        data[:-1] + b"\0" if address == 0 and data[:2] != TRAP else data
    )
    with pytest.raises(LoaderError, match="1 bytes differ"):
        put(rig, content, crcs)
    assert bytes(rig.board.flash[:PAGE]) == trap_page(PAGE)


def test_spread_faults_point_at_supply_and_cable(bench, flash_of, crcs) -> None:
    content = flash_of()
    rig = bench(player=content)
    rig.board.faults.keep = lambda address, data: data[:5] + bytes((data[5] ^ 8,)) + data[6:]
    with pytest.raises(LoaderError, match="supply or cable"):
        put(rig, content, crcs)


def test_a_player_that_stays_silent_after_the_upload_is_told(bench, flash_of, crcs) -> None:
    content = flash_of()
    other = flash_of(player=9)
    rig = bench(player=other)  # this chip does not run what is written
    with pytest.raises(LinkError, match="written and read back, but the player"):
        put(rig, content, crcs)


def test_a_hello_with_another_image_is_not_accepted(bench, flash_of, crcs) -> None:
    content = flash_of()
    rig = bench(player=content)
    with pytest.raises(LoaderError, match="carries another show"):
        flash_board(rig.port, content, 0x12345678, crcs(content)[1])


@given(st.lists(st.one_of(st.binary(max_size=30), st.sampled_from([b"\x30\x20", b"\x50\x20", b"\x75\x20"]))))
@settings(max_examples=60, deadline=None)
def test_the_virtual_loader_takes_any_bytes_and_keeps_its_own_range(chunks: list[bytes]) -> None:
    flash = bytearray(b"\xff" * UNO.flash)
    loader = boot_loader(flash, lambda address, data: data)
    next(loader)
    ended: object = None
    for byte in b"".join(chunks):
        try:
            assert isinstance(loader.send(byte), bytes)
        except StopIteration as stop:
            ended = stop.value
            break
    assert ended is None or isinstance(ended, Ending)
    assert len(flash) == UNO.flash
    assert set(flash[UNO.usable :]) == {0xFF}
