"""The portable sketch compiles against Debian's Arduino core for two chips, and plays the core's pulses."""

from __future__ import annotations

import dataclasses
import subprocess
from pathlib import Path

import numpy as np
import pytest

from sequencer.board.emulated import EmulatedBoard
from sequencer.errors import InputError
from sequencer.firmware.boards import board_description
from sequencer.firmware.header import render_header
from sequencer.firmware.sketch import portable_files, sketch_tree
from sequencer.player.player import Player
from sequencer.tables.image import build_image
from sequencer.tables.model import Extra
from tests.firmware.example_show import IMAGE, SHOW, SPECS
from tests.firmware.test_header_and_sketch import ARDUINO

CHIPS = {"uno": ("atmega328p", "standard"), "mega": ("atmega2560", "mega")}


def build(kind: str, folder: Path) -> Path:
    """As the IDE does it: every file of the sketch, then the whole core, linked together."""
    show = dataclasses.replace(SHOW, board=kind)
    image = IMAGE if kind == "uno" else build_image(show)
    files = portable_files("keeper", show, board_description(kind), render_header(show, image, SPECS))
    sketch_tree(files, folder / "keeper")
    mcu, variant = CHIPS[kind]
    core = ARDUINO / "cores/arduino"
    flags = [
        *(f"-mmcu={mcu}", "-DF_CPU=16000000L", "-DARDUINO=10819", "-Os", "-flto", "-w"),
        *("-ffunction-sections", "-fdata-sections", "-DDECIMAL_DIG=__DECIMAL_DIG__"),
        *(f"-I{core}", f"-I{ARDUINO / 'variants' / variant}", f"-I{folder / 'keeper'}"),
    ]
    cxx = ["-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics", "-include", "Arduino.h", "-x", "c++"]

    def run(*command: str) -> None:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr

    made = []
    unused = {"CDC.cpp", "PluggableUSB.cpp", "USBCore.cpp", "Tone.cpp", "IPAddress.cpp", "WInterrupts.c"}
    for source in (*sorted((folder / "keeper").iterdir()), *sorted(core.iterdir())):
        if source.name in unused or source.suffix not in (".c", ".cpp", ".ino"):
            continue
        out = str(folder / f"{source.name}.o")
        if source.suffix == ".c":
            run("avr-gcc", *flags, "-std=gnu11", "-c", str(source), "-o", out)
        else:
            run("avr-g++", *flags, *cxx, "-c", str(source), "-o", out)
        made.append(out)
    elf = folder / "sketch.elf"
    run("avr-gcc", *flags, "-Wl,--gc-sections", *made, "-lm", "-o", str(elf))
    return elf


def flash_of(elf: Path) -> bytes:
    binary = elf.with_suffix(".bin")
    subprocess.run(["avr-objcopy", "-O", "binary", str(elf), str(binary)], check=True)
    return binary.read_bytes()


def test_it_compiles_for_a_mega(tmp_path: Path) -> None:
    content = flash_of(build("mega", tmp_path))
    assert build_image(dataclasses.replace(SHOW, board="mega")) in content


def test_on_an_uno_it_plays_the_cores_pulses_within_its_jitter(tmp_path: Path, capsys) -> None:
    content = flash_of(build("uno", tmp_path))
    assert IMAGE in content
    assert len(content) <= board_description("uno").image_limit
    board = EmulatedBoard()
    board.load(0, content)
    board.power_on()
    pins = [track.pin for track in SHOW.tracks]
    board.capture(pins)
    board.run_s(4.0)
    core = Player(IMAGE)
    core.open()
    played = core.play(260)
    errors = []
    for index, pin in enumerate(pins):
        pulses = played.pulse_sixteenths[:, index]
        expected = pulses[np.flatnonzero(pulses)[0] :].astype(int)
        measured = np.array([pulse.width for pulse in board.pulses(pin)])
        assert len(measured) > 120
        errors.append((measured - expected[: len(measured)]) / 16)
    spread = np.concatenate(errors)
    with capsys.disabled():
        print(f"\n  portable sketch: pulses {spread.min():+.1f} to {spread.max():+.1f} us from the core's")
    assert np.ptp(spread) <= 30, "as the sketch's own words say"
    assert np.abs(spread).max() <= 30
    assert b"Lantern" in bytes(board.take()), "the hello names the figure"


@pytest.mark.parametrize(("tag", "words"), [(4, "expanders"), (7, "a sound module")])
def test_what_it_cannot_drive_is_refused(tag: int, words: str) -> None:
    show = dataclasses.replace(SHOW, extras=(Extra(tag, b"\1"),))
    with pytest.raises(InputError, match=f"does not drive {words}"):
        portable_files("keeper", show, board_description("uno"), "")
