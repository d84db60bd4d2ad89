"""Player and show through the real boot loader, by our uploader and by avrdude, then triggered."""

from __future__ import annotations

import subprocess
import zlib

import numpy as np

from sequencer.board.emulated import EmulatedTransport, hex_segments
from sequencer.board.flash import flash_board
from sequencer.board.simavr_pty import serve
from sequencer.firmware.hexfile import Segment, write_hex
from sequencer.tables.image import image_crc32
from tests.board.emulated_show import (
    check_against_core,
    check_against_spline,
    core_frames,
    idle_levels,
    start_stage,
)


def joined(player_hex: str, player_facts: dict[str, object], image: bytes) -> bytes:
    content = bytearray(b"\xff" * 0x7E00)
    for address, piece in hex_segments(player_hex):
        content[address : address + len(piece)] = piece
    base = int(str(player_facts["image_base"]))
    content[base : base + len(image)] = image
    return bytes(content)


def play_greet(port: EmulatedTransport, image: bytes, show, points) -> np.ndarray:
    for record in show.inputs:
        port.board.drive(record.pin, int(record.active_low))
    stage = start_stage(port, image, show)
    hello = stage.link.hello()
    assert hello.image_crc == image_crc32(image)
    assert hello.figure == show.figure
    stage.run_s(0.2)
    stage.cue("greet")
    stage.run_s(6.0)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), idle_levels(show))
    check_against_core(widths, core)
    check_against_spline(widths, core, show, points, "greet")
    return widths


def test_flashed_by_our_uploader_and_played(twelve, fresh_port, player_hex, player_facts):
    image, show, points = twelve
    content = joined(player_hex, player_facts, image)
    crc = int(str(player_facts["player_crc32"]), 16)
    assert zlib.crc32(content[: int(str(player_facts["image_base"]))]) == crc
    told: list[int] = []
    result = flash_board(
        fresh_port, content, image_crc32(image), crc, lambda _what, done, _all: told.append(done)
    )
    assert result.outcome == "flashed"
    assert told
    assert (result.hello.image_crc, result.hello.player_crc) == (image_crc32(image), crc)
    assert fresh_port.board.chip.flash()[: len(content)] == content
    again = flash_board(fresh_port, content, image_crc32(image), crc)
    assert (again.outcome, again.pages_written) == ("nothing to do", 0)
    play_greet(fresh_port, image, show, points)


def test_flashed_by_avrdude_in_real_time_and_played(
    twelve, fresh_port, player_hex, player_facts, avrdude, tmp_path
):
    image, show, points = twelve
    content = joined(player_hex, player_facts, image)
    used = int(str(player_facts["image_base"])) + len(image)
    file = tmp_path / "show.hex"
    file.write_text(write_hex([Segment(0, content[:used])]))
    with serve(fresh_port.board) as server:
        done = subprocess.run(
            [
                *(avrdude, "-q", "-c", "arduino", "-p", "atmega328p", "-b", "115200", "-P", server.path),
                *("-D", "-U", f"flash:w:{file}:i"),
            ],
            capture_output=True,
            text=True,
            check=False,
            timeout=80,
        )
    assert server.trouble is None
    assert done.returncode == 0, done.stderr
    assert f"{used} bytes of flash verified" in done.stderr
    assert fresh_port.board.chip.flash()[:used] == content[:used]
    play_greet(fresh_port, image, show, points)
