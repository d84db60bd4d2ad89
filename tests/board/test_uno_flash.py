"""The show through the real boot loader, by our uploader and by avrdude, then triggered and captured.

Twice: a made show that fills the board (twelve servos), and the Lantern Keeper.
"""

from __future__ import annotations

import subprocess
import zlib
from pathlib import Path

import pytest

from sequencer.board.emulated import hex_segments
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.flash import flash_board
from sequencer.board.simavr_pty import serve
from sequencer.firmware.hexfile import Segment, write_hex
from sequencer.show import BuiltShow
from sequencer.tables.image import image_crc32
from sequencer.tables.model import ShowImage
from tests.board.emulated_show import (
    Points,
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


def by_our_uploader(port: EmulatedTransport, content: bytes, image: bytes, player_crc32: int) -> None:
    told: list[int] = []
    result = flash_board(
        port, content, image_crc32(image), player_crc32, lambda _what, done, _all: told.append(done)
    )
    assert result.outcome == "flashed"
    assert told
    assert (result.hello.image_crc, result.hello.player_crc) == (image_crc32(image), player_crc32)
    assert port.board.chip.flash()[: len(content)] == content
    again = flash_board(port, content, image_crc32(image), player_crc32)
    assert (again.outcome, again.pages_written) == ("nothing to do", 0)


def by_avrdude(port: EmulatedTransport, content: bytes, used: int, avrdude: str, folder: Path) -> None:
    """In real time, over a pty: avrdude knows nothing of simulated time."""
    file = folder / "show.hex"
    file.write_text(write_hex([Segment(0, content[:used])]))
    with serve(port.board) as server:
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
    assert port.board.chip.flash()[:used] == content[:used]


def play(port: EmulatedTransport, image: bytes, show: ShowImage, points: Points, scenes: list[str]) -> None:
    """Trigger the scenes one after the other from idle; hold every captured pulse to core and spline."""
    for record in show.inputs:
        port.board.drive(record.pin, int(record.active_low))
    stage = start_stage(port, image, show)
    hello = stage.link.hello()
    assert hello.image_crc == image_crc32(image)
    assert hello.figure == show.figure
    stage.run_s(0.2)
    longest_s = max(max(t.fade_frames, t.delay_frames) for row in show.transitions for t in row) * 0.02
    for scene in scenes:
        stage.cue(scene)
        record = next(item for item in show.scenes if item.name == scene)
        stage.run_s(record.frames * 0.02 + longest_s + 1.0)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), idle_levels(show))
    check_against_core(widths, core)
    for scene in scenes:
        check_against_spline(widths, core, show, points, scene)


@pytest.mark.parametrize("uploader", ["ours", "avrdude"])
def test_a_full_board_flashed_and_played(
    uploader: str, twelve, fresh_port, player_hex, player_facts, avrdude, tmp_path
) -> None:
    image, show, points = twelve
    content = joined(player_hex, player_facts, image)
    crc = int(str(player_facts["player_crc32"]), 16)
    base = int(str(player_facts["image_base"]))
    assert zlib.crc32(content[:base]) == crc
    if uploader == "ours":
        by_our_uploader(fresh_port, content, image, crc)
    else:
        by_avrdude(fresh_port, content, base + len(image), avrdude, tmp_path)
    play(fresh_port, image, show, points, ["greet"])


@pytest.mark.parametrize("uploader", ["ours", "avrdude"])
def test_the_lantern_keeper_flashed_and_played(
    uploader: str, keeper: BuiltShow, fresh_port, avrdude, tmp_path
) -> None:
    content = keeper.flash_bytes.ljust(0x7E00, b"\xff")
    if uploader == "ours":
        by_our_uploader(fresh_port, content, keeper.image, keeper.player_crc32)
    else:
        used = keeper.player.board.image_base + len(keeper.image)
        by_avrdude(fresh_port, content, used, avrdude, tmp_path)
    points = {
        scene: {track: plan.points for track, plan in tracks.items()}
        for scene, tracks in keeper.planned.plans.items()
    }
    scenes = ["greet", "storm", "doze"] if uploader == "ours" else ["greet"]
    play(fresh_port, keeper.image, keeper.contents, points, scenes)
