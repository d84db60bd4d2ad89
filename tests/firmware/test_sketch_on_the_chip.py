"""The sketch, compiled and run on the emulated chip, plays what the core plays."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np

from sequencer.board.emulated import EmulatedUno
from sequencer.firmware.boards import board_description
from sequencer.firmware.header import render_header
from sequencer.firmware.sketch import sketch_files, sketch_tree
from sequencer.player.player import Player
from tests.firmware.example_show import IMAGE, SHOW, SPECS
from tests.firmware.test_header_and_sketch import build


def test_the_sketch_plays_the_core_s_pulses(tmp_path: Path) -> None:
    board = EmulatedUno()  # without its library this fails and says what to install
    sketch_tree(
        sketch_files("keeper", SHOW, board_description("uno"), render_header(SHOW, IMAGE, SPECS)),
        tmp_path / "keeper",
    )
    binary = tmp_path / "sketch.bin"
    elf = build(tmp_path / "keeper", tmp_path / "objects", together=True)
    subprocess.run(["avr-objcopy", "-O", "binary", str(elf), str(binary)], check=True)
    board.load(0, binary.read_bytes())
    board.power_on()
    pins = [track.pin for track in SHOW.tracks]
    board.capture(pins)
    board.run_s(6.0)
    core = Player(IMAGE)
    core.open()
    played = core.play(320)
    for index, pin in enumerate(pins):
        pulses = played.pulse_sixteenths[:, index]
        expected = pulses[np.flatnonzero(pulses)[0] :].astype(int)
        measured = np.array([pulse.width for pulse in board.pulses(pin)])
        assert len(measured) > 200
        assert np.abs(measured - expected[: len(measured)]).max() <= 1
        assert (np.ptp(measured) > 100) == (pin == 7), "the idle loop moves turn alone"
    assert b"Lantern" in bytes(board.take()), "the hello names the figure"
