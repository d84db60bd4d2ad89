"""The sound module of the shipped firmware: bytes and pulses as a receiver sees them on the pin."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from sequencer.board.emulated_kinds import BOARD_KINDS
from sequencer.tables.extra_sound import NO_PLACE, SoundRecord, sound_extra
from sequencer.tables.extra_strings import StringRecord, strings_extra
from sequencer.tables.image import build_image
from sequencer.tables.model import InputRecord
from tests.board.boards import MEGA_SERVO_PINS, on_board
from tests.board.emulated_show import FRAME, SERVO_PINS, Stage, core_frames, made_show
from tests.board.test_interrupted import POWER
from tests.board.test_strings import saturate
from tests.board.test_uno_show import jitter_us

#: The pin that sends bytes, by board.
OC1B = {"uno": 10, "mega": 12}
GREET = 1
STARTS = (None, (7, 51), None)


def module_show(record: SoundRecord, kind: str = "uno"):
    """Eight servos, on a Mega 22, none on the module's port.

    The emulator keeps a timer's output in the port's register, so that a pulse's write to the port, worked
    out before, would put the line back. The chip keeps the two apart.
    """
    pins = MEGA_SERVO_PINS if kind == "mega" else SERVO_PINS
    port_of = BOARD_KINDS[kind].port_bit
    show, _ = made_show([pin for pin in pins if port_of(pin)[0] != port_of(OC1B[kind])[0]])
    return replace(on_board(show, kind), extras=(sound_extra(record),))


def received(stage: Stage, pin: int, baud: float, since: int, amid: bool = False) -> list[tuple[int, int]]:
    """What an asynchronous receiver makes of the pin, sampling in the middle of its bits: (cycle, byte)."""
    edges = [edge for edge in stage.board.edges if edge.pin == pin and edge.cycle >= since]
    bit = 16e6 / baud

    def level(cycle: float) -> int:
        return next((edge.level for edge in reversed(edges) if edge.cycle <= cycle), 1)

    found: list[tuple[int, int]] = []
    # A capture that begins within a byte is joined at the first long pause.
    quiet = [b.cycle for a, b in pairwise(edges) if a.level and b.cycle - a.cycle > 12 * bit]
    first = quiet[0] if amid else 0
    for edge in edges:
        if edge.cycle < first:
            continue
        if edge.level or (found and edge.cycle < found[-1][0] + 9.5 * bit):
            continue
        bits = [level(edge.cycle + (0.5 + index) * bit) for index in range(10)]
        assert bits[0] == 0, "no start bit"
        assert bits[9] == 1, "no stop bit"
        found.append((edge.cycle, sum(value << index for index, value in enumerate(bits[1:9]))))
    return found


@pytest.mark.parametrize(("kind", "baud"), [("uno", 9600), ("uno", 4800), ("mega", 9600)])
def test_serial_bytes_come_with_the_scene_and_move_no_pulse(stage_of, kind, baud, capsys):
    pin = OC1B[kind]
    time = round(16e6 / baud)
    message = bytes([0x7E, 0x03, 0x00, 0x55, 0xEF])
    show = module_show(SoundRecord(pin, True, False, time, message, 2, STARTS), kind)
    image = build_image(show)
    stage = stage_of(image, show)
    board = stage.board
    board.capture([pin])
    stage.run_s(0.5)
    begin = board.cycle
    assert not received(stage, pin, baud, 0)
    assert board.is_output(pin)
    stage.cue("greet")
    stage.run_s(2.0)
    got = received(stage, pin, baud, begin)
    assert bytes(byte for _, byte in got) == bytes([0x7E, 0x03, 0x07, 0x55, 0xEF])
    edges = [edge.cycle for edge in board.edges if edge.pin == pin]
    bits = [(c - at) / time for at, _ in got for c in edges if at <= c < at + 9.5 * time]
    off = max(abs(value - round(value)) for value in bits)
    # From the frame that the core says: it is told while the frame before it plays.
    core = core_frames(image, stage, stage.frame_now(), 1)
    row = next(i for i in range(len(core.frame)) if core.scene[i] == GREET and core.frame[i] == STARTS[1][1])
    told = (got[0][0] - stage.boundary()) / FRAME
    with capsys.disabled():
        print(f"\n  {kind}, {baud} baud: bits off by {off:.4f} of a bit at most")
        print(f"  {told - row:.2f} frames from its frame")
    assert off <= 0.002, "an event's cycle is that of the instruction at its end: up to 3 cycles"
    assert -1.0 <= told - row <= 0.0
    assert stage.link.status().late_frames == 0


@pytest.mark.parametrize("kind", ["uno", "mega"])
def test_pulses_stand_still_while_bytes_go_out_on_a_busy_line(stage_of, kind):
    """A loop that asks for a track each turn; its servos stand, so that only the module can move a pulse."""
    pin = OC1B[kind]
    message = bytes(range(200, 232))
    starts = ((9, 1), None, None)
    show = module_show(SoundRecord(pin, True, False, 1667, message, NO_PLACE, starts), kind)
    show = replace(
        show, scenes=(replace(show.scenes[0], tracks=(None,) * len(show.tracks)), *show.scenes[1:])
    )
    stage = stage_of(build_image(show), show)
    stage.run_s(0.25 * len(show.tracks))  # each of them has its pulses
    stage.board.capture([pin])
    begin = stage.board.cycle
    stage.board.edges.clear()
    saturate(stage, 130)
    assert jitter_us(stage.board, (track.pin for track in show.tracks), 120) == 0
    got = bytes(byte for _, byte in received(stage, pin, 9600, begin, amid=True))
    assert message in got
    assert stage.board.overruns == 0


@pytest.mark.parametrize("silence", [None, 99])
def test_a_stop_asks_for_silence_once(stage_of, silence):
    message = bytes([0x7E, 0x00, 0xEF])
    show = module_show(SoundRecord(OC1B["uno"], True, False, 1667, message, 1, STARTS, silence))
    stage = stage_of(build_image(show), show)
    stage.board.capture([OC1B["uno"]])
    stage.run_s(0.5)
    stage.cue("greet")
    stage.run_s(1.9)
    assert stage.link.status().scene == GREET
    begin = stage.board.cycle
    stage.link.hold()
    stage.run_s(1.5)
    stage.link.resume()
    stage.run_s(1.5)
    got = bytes(byte for _, byte in received(stage, OC1B["uno"], 9600, begin))
    assert got == (b"" if silence is None else bytes([0x7E, silence, 0xEF]))


def test_servos_without_power_ask_for_silence_too(stage_of):
    rail = InputRecord("power", POWER["uno"], False, False, 3, 0, None, 0, None, "rail")
    show = module_show(SoundRecord(OC1B["uno"], True, False, 1667, bytes(1), 0, STARTS, 99))
    show = replace(show, inputs=(*show.inputs, rail))
    stage = stage_of(build_image(show), show)
    stage.board.capture([OC1B["uno"]])
    stage.run_s(0.5)
    stage.cue("greet")
    stage.run_s(1.9)
    begin = stage.board.cycle
    stage.board.drive(POWER["uno"], 0)
    stage.run_s(0.5)
    assert [byte for _, byte in received(stage, OC1B["uno"], 9600, begin)] == [99]


@pytest.mark.parametrize(("kind", "active_low"), [("uno", False), ("uno", True), ("mega", True)])
def test_a_pulse_of_its_length(stage_of, kind, active_low):
    show = module_show(SoundRecord(12, False, active_low, 5, b"", NO_PLACE, STARTS), kind)
    stage = stage_of(build_image(show), show)
    stage.board.capture([12])
    stage.run_s(0.5)
    begin = stage.board.cycle
    stage.cue("greet")
    stage.run_s(3.0)
    edges = [edge for edge in stage.board.edges if edge.pin == 12 and edge.cycle >= begin]
    assert [edge.level for edge in edges] == ([0, 1] if active_low else [1, 0])
    assert (edges[1].cycle - edges[0].cycle) / FRAME == pytest.approx(5, abs=0.2)


@pytest.mark.parametrize("leds", [4, 40])
def test_strings_wait_for_a_byte_that_goes_out(stage_of, leds):
    """A string is written with interrupts off, for longer than a bit."""
    message = bytes([0x7E, 0xFF, 0x06, 0x03, 0x00, 0x00, 0x55, 0xEF])
    show = module_show(SoundRecord(OC1B["uno"], True, False, 1667, message, 6, STARTS))
    pin = next(pin for pin in (18, 12, 17, 16) if pin not in [track.pin for track in show.tracks])
    strings = strings_extra([StringRecord(pin, leds, (0, 1, 3), (255, 128, 255))])
    show = replace(show, extras=(*show.extras, strings))
    stage = stage_of(build_image(show), show)
    stage.board.capture([OC1B["uno"], pin])
    stage.run_s(0.5)
    for _ in range(2):
        begin = stage.board.cycle
        stage.cue("greet")
        stage.run_s(8.0)
        got = bytes(byte for _, byte in received(stage, OC1B["uno"], 9600, begin))
        assert got == bytes([*message[:6], 7, message[7]])
    refreshes = sum(edge.pin == pin for edge in stage.board.edges) / (2 * 24 * leds)
    assert refreshes > 0.95 * (stage.board.cycle / FRAME - 150)
    assert stage.link.status().late_frames == 0
