"""The portable sketch compiles against Debian's Arduino core for two chips, and plays the core's pulses."""

from __future__ import annotations

import dataclasses
import subprocess
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from sequencer.board.emulated import EmulatedBoard
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.board.reports import TRIGGERED
from sequencer.errors import InputError, LinkError
from sequencer.firmware.boards import board_description
from sequencer.firmware.header import render_header
from sequencer.firmware.sketch import portable_files, sketch_tree
from sequencer.motion.model import TrackSpec
from sequencer.player.player import Player
from sequencer.tables.extra_guard import SensorRecord, guard_extra
from sequencer.tables.extra_policy import PolicyContent, SceneList, policy_extra
from sequencer.tables.image import build_image
from sequencer.tables.model import Extra, ShowImage
from tests.board.emulated_show import BEAM, made_show
from tests.firmware.example_show import IMAGE, SHOW, SPECS
from tests.firmware.test_header_and_sketch import ARDUINO
from tests.tables.show_makers import spec

CHIPS = {"uno": ("atmega328p", "standard"), "mega": ("atmega2560", "mega")}


#: The readings' pace on the hex: a mean over 64 of them, of one sensor, has risen by 63 % after 14 ms there.
READING_S = 213e-6
CURRENT = 14


def build(
    kind: str, folder: Path, made: ShowImage = SHOW, specs: Mapping[str, TrackSpec] | None = None
) -> Path:
    """As the IDE does it: every file of the sketch, then the whole core, linked together."""
    show = dataclasses.replace(made, board=kind)
    header = render_header(show, build_image(show), SPECS if specs is None else specs)
    files = portable_files("keeper", show, board_description(kind), header)
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
    spread = widths_off_the_core(board, SHOW, 200)
    with capsys.disabled():
        print(f"\n  portable sketch: pulses {spread.min():+.1f} to {spread.max():+.1f} us from the core's")
    assert np.ptp(spread) <= 35, "as the sketch's own words say"
    assert np.abs(spread).max() <= 30
    assert b"Lantern" in bytes(board.take()), "the hello names the figure"


def widths_off_the_core(board: EmulatedBoard, show: ShowImage, frames: int) -> np.ndarray:
    """By how many microseconds the pulses of the first frames differ from the core's."""
    core = Player(build_image(show))
    core.open()
    played = core.play(frames)
    errors = []
    for index, track in enumerate(show.tracks):
        pulses = played.pulse_sixteenths[:, index]
        expected = pulses[np.flatnonzero(pulses)[0] :].astype(int)
        measured = np.array([pulse.width for pulse in board.pulses(track.pin)])
        count = min(len(measured), len(expected))
        assert count > frames // 2
        errors.append((measured[:count] - expected[:count]) / 16)
    return np.concatenate(errors)


@pytest.mark.parametrize(("sensors", "pins"), [(1, (9, 10, 12)), (4, (2, 4, 7, 8, 9, 10, 12, 18))])
def test_its_guard_means_over_as_much_time_as_the_hex_and_pulses_stay(
    tmp_path: Path, sensors: int, pins: tuple[int, ...]
) -> None:
    records = [
        SensorRecord(CURRENT + i, 0, 10_000, 0, 6, 255, 10, hold=False, tell_only=True)
        for i in range(sensors)
    ]
    show, _ = made_show(pins)
    show = dataclasses.replace(show, extras=(guard_extra(records, [60, 240, 120], [None] * 3),))
    board = EmulatedBoard()
    specs = {track.name: spec(track.name, pin=track.pin) for track in show.tracks}
    board.load(0, flash_of(build("uno", tmp_path, show, specs)))
    for i in range(sensors):
        board.analog(CURRENT + i, 0)
    board.power_on()
    board.capture(pins)
    board.run_s(4.0)
    spread = widths_off_the_core(board, show, 180)
    assert np.ptp(spread) <= 35, "as the sketch's own words say"
    port = EmulatedTransport(board)
    link = Link(port)
    link.hello(quiet_s=0.0)
    for i in range(sensors):
        before = link.seen(i).now
        assert before is not None
        begun = port.now_s()
        board.analog(CURRENT + i, 5000)
        full = 1023 * 64 * 10_000 / 32_768
        while (now := link.seen(i).now) is None or now < 0.632 * full:
            assert port.now_s() < begun + 1.0, f"sensor {i} is at {now} of {full:.0f}"
        expected = 64 * READING_S * sensors
        # a pulse of 2.4 ms may stand before the first reading, and a frame's work
        assert 0.6 * expected - 0.005 < port.now_s() - begun < 1.2 * expected + 0.012


def test_a_cue_repeated_over_an_unheard_reset_is_refused(tmp_path: Path) -> None:
    board = EmulatedBoard()
    board.load(0, flash_of(build("uno", tmp_path)))
    board.power_on()
    port = EmulatedTransport(board)
    board.run_s(2.0)
    link = Link(port)
    first = link.hello(quiet_s=0.0)
    link.cue(1)
    board.run_s(1.3)
    port.reset()
    board.run_s(2.123)
    board.take()  # nobody hears its hello
    with pytest.raises(LinkError, match="board reset"):
        link.cue(1)
    assert link.status().scene != 1
    second = link.hello()
    assert 0 not in (first.boot, second.boot)
    assert first.boot != second.boot
    assert link.hello().boot == second.boot, "one number as long as it runs"


@pytest.mark.parametrize("seed", [0, 77])
def test_what_a_visitor_sees_first_depends_on_when_he_comes_unless_the_figure_names_a_seed(
    tmp_path: Path, seed: int
) -> None:
    show, _ = made_show((9, 10, 12))
    beam = dataclasses.replace(show.inputs[0], scene=None, nth=0, nth_scene=None)
    policy = policy_extra(PolicyContent(seed, None, (SceneList(), SceneList("shuffle", (1, 2), (1, 1)))))
    assert policy is not None
    show = dataclasses.replace(show, inputs=(beam,), extras=(policy,))
    specs = {track.name: spec(track.name, pin=track.pin) for track in show.tracks}
    flash = flash_of(build("uno", tmp_path, show, specs))
    seen = set()
    for visit in range(6):
        board = EmulatedBoard()
        board.load(0, flash)
        board.drive(BEAM, 1)
        board.power_on()
        board.run_s(1.5 + 0.0777 * visit)
        board.drive(BEAM, 0)
        link = Link(EmulatedTransport(board))
        told = [
            report.number("scene")
            for _ in range(5)
            for report in link.reports(0.1)
            if report.name == "happened" and report.number("what") == TRIGGERED
        ]
        assert len(told) == 1
        seen.update(told)
    assert len(seen) == (2 if seed == 0 else 1)


@pytest.mark.parametrize(("tag", "words"), [(4, "expanders"), (7, "a sound module")])
def test_what_it_cannot_drive_is_refused(tag: int, words: str) -> None:
    show = dataclasses.replace(SHOW, extras=(Extra(tag, b"\1"),))
    with pytest.raises(InputError, match=f"does not drive {words}"):
        portable_files("keeper", show, board_description("uno"), "")
