"""The power cut at every page of an upload by our uploader: the old show, the new one, or a dead board.

Every page that the uploader writes is recorded, then the chip is started from each flash in between, by power
as after a cut: before each write, and with the page erased and not yet written. (A page is erased, then
written, within some 8 ms; what a cut within either leaves in single cells no emulator shows.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from sequencer.board.emulated import EmulatedBoard
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.flash import flash_board, trap_page
from sequencer.board.link import Link
from tests.board.boards import Load, bought, chip_of, load_for

#: Long enough to leave the loader, and for the first pin to be driven.
LOOK_S = 0.15


@dataclass(frozen=True)
class Cut:
    """A flash that a power cut leaves: ``written`` pages are through, the next is erased or untouched."""

    written: int
    erased: bool
    flash: bytes


def with_other_player(load: Load, page: int) -> bytes:
    """The same show with a player that differs where it has no code: an older one, as good as this."""
    content = bytearray(load.content)
    base = load.image[:4]
    last = load.content.index(base) - 1  # of the bytes between code and image
    assert content[last] == 0xFF
    for at in range(last, last - 5 * page, -page):
        if content[at] == 0xFF:
            content[at] = 0
    return bytes(content)


def writes_of(port: EmulatedTransport, which: str, load: Load) -> list[tuple[int, bytes]]:
    """Upload it; every page write as the chip does it: address and content, in order."""
    chip = chip_of(which)
    from sequencer.board import flash

    found: list[tuple[int, bytes]] = []
    make = flash.loader_of

    def recording(transport: object, of: object) -> object:
        loader = make(transport, of)  # type: ignore[arg-type]
        write = loader.write_page

        def recorded(number: int, data: bytes) -> None:
            write(number, data)
            found.append((number * chip.page, data))

        loader.write_page = recorded  # type: ignore[method-assign]
        return loader

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(flash, "loader_of", recording)
        flash_board(port, load.content, load.image_crc, load.player_crc, chip=chip)
    return found


def cuts(before: bytes, writes: list[tuple[int, bytes]]) -> Iterator[Cut]:
    flash = bytearray(before)
    for number, (address, data) in enumerate(writes):
        yield Cut(number, False, bytes(flash))
        flash[address : address + len(data)] = b"\xff" * len(data)
        yield Cut(number, True, bytes(flash))
        flash[address : address + len(data)] = data
    yield Cut(len(writes), False, bytes(flash))


def start(board: EmulatedBoard, flash: bytes) -> None:
    board.load(0, flash)
    board.power_on()


def outputs(board: EmulatedBoard) -> list[int]:
    """Pins that are driven; D13 is the loader's lamp."""
    pins = [pin for pin in range(70 if board.kind.mcu == "atmega2560" else 20) if pin not in (0, 1, 13)]
    return [pin for pin in pins if board.is_output(pin) or board.port_level(pin)]


@pytest.mark.parametrize("which", ["uno", "mega"])
def test_the_old_show_the_new_one_or_dead_outputs(which: str) -> None:
    port, old, new = bought(which), load_for(which, 1), load_for(which, 2)
    page, board = chip_of(which).page, port.board
    board.load(0, with_other_player(old, page))
    before = board.chip.flash()
    writes = writes_of(port, which, new)
    assert writes[0] == (0, trap_page(page))
    assert writes[-1] == (0, new.content[:page])
    assert len(writes) > 15
    for cut in cuts(before, writes):
        start(board, cut.flash)
        if cut.written in (0, len(writes)) and not cut.erased:
            hello = Link(port).hello()
            wanted = old if cut.written == 0 else new
            assert hello.image_crc == wanted.image_crc, cut.written
            board.run_s(1.0)
            assert outputs(board), "the player drives its pins"
            continue
        board.run_s(LOOK_S)
        assert outputs(board) == [], (cut.written, cut.erased)
        assert board.chip.pc < 2 * page or board.chip.pc >= board.kind.loader_start, "in a trap or the loader"
    start(board, before)  # for the last cut was the new show
    board.load(0, trap_page(page))
    assert flash_board(port, new.content, new.image_crc, new.player_crc, chip=chip_of(which)).resumed
