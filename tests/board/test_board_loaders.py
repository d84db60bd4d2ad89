"""Every board's real loader: flashed by our uploader and by avrdude, resumed, told from another board's."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import bincopy
import pytest

from sequencer.board.chips import CHIPS
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.flash import flash_board, trap_page
from sequencer.board.link import Link
from sequencer.board.virtual_uno import fresh_virtual
from sequencer.errors import LoaderError
from sequencer.firmware.boards import prebuilt_player
from sequencer.firmware.join import join
from sequencer.tables.image import build_image
from sequencer.tables.model import Extra
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


def test_a_megas_image_may_reach_beyond_64_kb() -> None:
    """The CRC says whether the player reads what lies there; another tool reads the hex the same way."""
    show, _ = small_show("mega")
    filler = Extra(200, bytes(at * 7 & 0xFF for at in range(60_000)))
    show = dataclasses.replace(show, extras=(filler,))
    image = build_image(show)
    player = prebuilt_player("mega")
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
