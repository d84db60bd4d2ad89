"""Every board's real loader: flashed by our uploader and by avrdude, resumed, told from another board's."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import bincopy
import pytest

from sequencer.board import stk500v2
from sequencer.board.chips import CHIPS
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.flash import flash_board, trap_page
from sequencer.board.link import Link
from sequencer.board.virtual_boards import fresh_virtual
from sequencer.errors import LoaderError
from sequencer.firmware.boards import prebuilt_player
from sequencer.firmware.join import join
from sequencer.tables.image import build_image
from sequencer.tables.model import Extra, ShowImage
from tests.board.boards import Load, bought, by_avrdude, chip_of, load_for, small_show
from tests.board.emulated_show import check_against_core, core_frames, idle_levels, start_stage

BOARDS = ("nano", "nano old", "mega")


def put(port: EmulatedTransport, which: str, load: Load, **options):
    return flash_board(port, load.content, load.image_crc, load.player_crc, chip=chip_of(which), **options)


@pytest.mark.parametrize("which", BOARDS)
def test_our_uploader_fills_a_new_board_and_knows_it_again(which: str) -> None:
    port, load = bought(which), load_for(which)
    result = put(port, which, load)
    assert result.outcome == "flashed"
    assert port.board.chip.flash()[: len(load.content)] == load.content
    assert result.baud == (57600 if which == "nano old" else 115200)
    assert result.hello.board == {"nano": 2, "mega": 3}[which.split()[0]]
    assert result.hello.figure == load.show.figure
    assert put(port, which, load).outcome == "nothing to do"
    assert put(port, which, load, force=True).pages_written == 0
    stage = start_stage(port, load.image, load.show)
    stage.run_s(2.0)
    widths = stage.widths()
    check_against_core(widths, core_frames(load.image, stage, len(widths), idle_levels(load.show)))


@pytest.mark.parametrize("which", BOARDS)
def test_avrdude_flashes_what_we_make(which: str, avrdude: str, tmp_path: Path) -> None:
    port, load = bought(which), load_for(which)
    content = load.content
    said = by_avrdude(port, which, content, avrdude, tmp_path)
    assert f"{len(content)} bytes of flash verified" in said
    assert port.board.chip.flash()[: len(content)] == content
    port.reset()
    hello = Link(port).hello()
    assert (hello.image_crc, hello.player_crc) == (load.image_crc, load.player_crc)


def test_the_mega_loader_rewrites_all_pages_below_the_last_that_differs() -> None:
    """It erases in order, so that a page in the middle cannot be had alone; what lies above stays."""
    port, old, new = bought("mega"), load_for("mega", 1), load_for("mega", 2)
    port.board.load(0, old.content)
    before = port.board.chip.flash()
    result = put(port, "mega", new)
    last = max(
        at // 256 for at in range(len(new.content)) if new.content[at] != before[at]
    )  # of the pages that differ
    assert result.pages_written == last + 1
    assert port.board.chip.flash()[: len(new.content)] == new.content


@pytest.mark.parametrize(("there", "named"), [("mega", "ATmega2560"), ("uno", "ATmega328P")])
def test_another_boards_loader_is_told_by_its_chip(there: str, named: str) -> None:
    """Blank boards have no player that could say so."""
    wanted = "uno" if there == "mega" else "mega"
    with pytest.raises(LoaderError, match=f"another chip: {named}"):
        put(bought(there), wanted, load_for(wanted))


def test_another_boards_player_is_told_before_its_loader_is_asked() -> None:
    port = bought("mega")
    port.board.load(0, load_for("mega").content)
    with pytest.raises(LoaderError, match="says that it runs on a Mega, but the figure names an Uno"):
        put(port, "uno", load_for("uno"))


def test_an_interrupted_upload_is_resumed_and_said_so() -> None:
    port, load = bought("nano old"), load_for("nano old")
    half = len(load.content) // 256 * 128
    port.board.load(0, trap_page(128) + load.content[128:half])
    result = put(port, "nano old", load)
    assert result.resumed
    assert result.pages_written == 1 + sum(
        load.content[at : at + 128] != b"\xff" * 128 for at in range(half, len(load.content), 128)
    )


def test_every_board_has_an_emulated_one() -> None:
    assert {which.split()[0] for which in (*BOARDS, "uno")} == set(CHIPS)


def test_a_nanos_show_plays_on_the_virtual_board() -> None:
    """It is the same player, which takes the board's number from the show."""
    load = load_for("nano")
    result = put(fresh_virtual(), "nano", load)  # type: ignore[arg-type]
    assert (result.hello.board, result.hello.fault) == (2, 0)


def large_show() -> ShowImage:
    """A show for a Mega that reaches beyond what 16 bits address."""
    filler = Extra(200, bytes(at * 7 & 0xFF for at in range(60_000)))
    return dataclasses.replace(small_show("mega")[0], extras=(filler,))


def test_a_virtual_mega_takes_an_image_beyond_64_kb() -> None:
    show, player = large_show(), prebuilt_player("mega")
    image = build_image(show)
    content, crc = join(player, image, show)[1], int.from_bytes(image[8:12], "little")
    assert len(content) > 0x14000
    port = fresh_virtual("mega")
    result = flash_board(port, content, crc, player.crc32, chip=CHIPS["mega"])
    assert (result.hello.board, result.hello.fault, result.hello.image_crc) == (3, 0, crc)
    assert port.board.flash[: len(content)] == content
    port.board.flash[0x13000] ^= 1
    port.reset()
    assert Link(port).hello().fault == 3


def test_the_virtual_megas_loader_answers_as_the_real_one() -> None:
    """The same messages in the same order, among them a write to another page than the one it erases.

    (To a page that is not blank, the emulator's chip would write as no flash memory can.)
    """
    page = bytes(range(256))
    before = (b"\xaa" * 1280).ljust(2048, b"\xff")
    bodies = [
        *(b"\x01", b"\x10" + bytes(11)),
        *(bytes((0x1B, 4, 0, 0, index, 0)) for index in range(3)),
        *(b"\x06\x80\0\0\0", b"\x13\x01\0" + bytes(7) + page),
        # Page 5 is written while page 1 is erased.
        *(b"\x06\x80\0\x02\x80", b"\x13\x01\0" + bytes(7) + page[::-1]),
        *(b"\x06\x80\0\0\0", *[b"\x14\x01\0\x20"] * 6),
        b"\x77",
    ]
    real, ours = bought("mega"), fresh_virtual("mega")
    real.board.load(0, before)
    ours.board.flash[: len(before)] = before
    said = []
    for port in (real, ours):
        port.set_baud(CHIPS["mega"].baud)
        port.reset()
        port.read(4096, 0.1)
        answers = []
        for number, body in enumerate(bodies):
            message = stk500v2.framed(number, body)
            if number == 2:
                port.write(message[:-1] + bytes((message[-1] ^ 1,)))
                assert port.read(300, 0.1) == b""
            port.write(message)
            answers.append(port.read(300, 0.1))
        said.append(answers)
    for body, told, answered in zip(bodies, *said, strict=True):
        assert answered == told, body[:8].hex(" ")
    assert [answer[7:8].hex() for answer in said[0][-7:-1]] == ["00", "ff", "aa", "aa", "aa", "ff"]


def test_a_megas_image_may_reach_beyond_64_kb() -> None:
    """The CRC says whether the player reads what lies there; another tool reads the hex the same way."""
    show, player = large_show(), prebuilt_player("mega")
    image = build_image(show)
    text, content = join(player, image, show)
    assert len(content) > 0x14000
    file = bincopy.BinFile()
    file.add_ihex(text)
    assert file.as_binary(padding=b"\xff") == content[: file.maximum_address]
    port = bought("mega")
    port.board.load(0, content)
    port.reset()
    hello = Link(port).hello()
    assert (hello.fault, hello.image_crc) == (0, int.from_bytes(image[8:12], "little"))
    spoilt = bytearray(content)
    spoilt[0x13000] ^= 1
    port.board.load(0, bytes(spoilt))
    port.reset()
    assert Link(port).hello().fault == 3
