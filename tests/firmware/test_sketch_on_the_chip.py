"""The sketch, compiled and run on the emulated chip, plays what the core plays."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest

from sequencer.board.emulated import EmulatedUno
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.firmware.boards import board_description
from sequencer.firmware.header import render_header
from sequencer.firmware.sketch import sketch_files, sketch_tree
from sequencer.player.player import Player
from tests.firmware.example_show import IMAGE, SHOW, SPECS
from tests.firmware.test_header_and_sketch import build

MCUSR = 0x54


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The sketch's flash, compiled as the IDE does."""
    folder = tmp_path_factory.mktemp("sketch")
    sketch_tree(
        sketch_files("keeper", SHOW, board_description("uno"), render_header(SHOW, IMAGE, SPECS)),
        folder / "keeper",
    )
    binary = folder / "sketch.bin"
    elf = build(folder / "keeper", folder / "objects", together=True)
    subprocess.run(["avr-objcopy", "-O", "binary", str(elf), str(binary)], check=True)
    return binary.read_bytes()


def test_the_sketch_plays_the_core_s_pulses(program: bytes) -> None:
    board = EmulatedUno()  # without its library this fails and says what to install
    board.load(0, program)
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


@pytest.mark.parametrize(("mcusr", "told"), [(0, 0), (2, 2)])
def test_what_the_program_left_in_r2_is_no_reset_cause(program: bytes, mcusr: int, told: int) -> None:
    board = EmulatedUno()
    board.load(0, program)
    board.reset()
    board.chip.data[MCUSR] = mcusr  # 0: the loader has cleared it
    board.chip.data[2] = 4  # to the hex this would be a brown-out
    hello = Link(EmulatedTransport(board)).listen_for_hello()
    assert hello is not None
    assert hello.reset_cause == told
