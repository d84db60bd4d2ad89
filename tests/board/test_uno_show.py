"""The shipped firmware on the emulated Uno: every pulse, lamp step and edge against the core and SciPy."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from sequencer.board.emulated import LAMP_PINS, EmulatedUno
from sequencer.board.frames import Frame
from sequencer.board.messages import catalogue
from sequencer.tables.image import build_image
from tests.board.emulated_show import (
    BEAM,
    FRAME,
    QUIET,
    SERVO_PINS,
    check_against_core,
    check_against_spline,
    core_frames,
    made_show,
)

#: Cycles of a byte on the emulated line, either way.
BYTE = 704
#: A program that receives and never looks.
DEAF = """#include <avr/io.h>
int main(void) {
  UCSR0A = _BV(U2X0);
  UBRR0 = 7;
  UCSR0B = _BV(RXEN0);
  for (;;) PORTB ^= 1;
}
"""
REST = 1  # the beam's pin is high while nobody crosses it


def test_every_pulse_is_the_cores_number_and_scipys(twelve, stage_of):
    image, show, points = twelve
    stage = stage_of(image, show)
    stage.run_s(0.5)
    stage.cue("greet")
    stage.run_s(6.0)
    stage.cue("storm")
    stage.run_s(3.5)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), REST)
    assert len(widths) > 500
    assert (widths > 0).all(axis=1).sum() > 400
    check_against_core(widths, core)
    for scene in ("greet", "storm"):
        check_against_spline(widths, core, show, points, scene)
    assert stage.link.status().late_frames == 0
    assert stage.board.overruns == 0
    periods = np.diff([p.start for p in stage.board.pulses(show.tracks[0].pin)])
    # a slot's two starts change places with its widths
    assert set(periods) <= {FRAME, FRAME - QUIET, FRAME + QUIET}


def test_no_pulse_before_its_turn_and_the_first_is_where_the_figure_lies(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(0.1)
    widths = stage.widths()
    first = [int(np.flatnonzero(column)[0]) for column in widths.T]
    assert first == [show.stagger_frames * i for i in range(len(show.tracks))]
    for track, row, column in zip(show.tracks, first, widths.T, strict=True):
        parked = 16 * (track.origin_us + track.parked * 2.0**-track.lsb_exponent)
        assert abs(column[row] - parked) <= 1, track.name
    assert all(edge.cycle >= stage.boundary() for edge in stage.board.edges)


def jitter_us(board: EmulatedUno, pins: Iterable[int], least: int) -> float:
    """The largest spread of any pin's pulse widths, peak to peak."""
    worst = 0
    for pin in pins:
        widths = [pulse.width for pulse in board.pulses(pin)]
        assert len(widths) >= least
        worst = max(worst, max(widths) - min(widths))
    return worst / 16


def test_held_pulses_stand_still_under_all_the_traffic_the_player_can_answer(twelve, stage_of, capsys):
    """Requests as fast as the line goes; questions that find no room are dropped.

    The board's sending cannot be full all the time: while the player works out a frame nobody answers, and
    the 39 bytes in its ring do not last that long. So there is a pause a frame; outside it, it is full.
    """
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.link.hold()
    stage.run_s(3.0)  # until the stored stop is over
    assert stage.link.status().state == 4
    board = stage.board
    assert board.overruns == 0
    board.edges.clear()
    board.take()
    ask = catalogue().by_name["ask_status"].code
    # A status has 23 bytes: a question, with zeros (empty frames) behind it, is shorter than its answer.
    flood = b"".join(Frame(1 + i % 255, ask, b"").encode().ljust(18, b"\0") for i in range(255))
    board.sent_at = []
    begin, fed, sent = board.cycle, 0, 0
    while board.cycle - begin < 60 * FRAME:
        if board.unsent < 200:
            board.feed(flood)
            fed += len(flood)
        board.run(FRAME // 20)
        sent += len(board.take())
    heard = (fed - board.unsent) * BYTE / (board.cycle - begin)
    said = sent * BYTE / (board.cycle - begin)
    gaps = np.diff([begin, *board.sent_at])
    pauses = gaps[gaps > 8 * BYTE]
    between = sent * BYTE / (board.cycle - begin - pauses.sum())
    jitter = jitter_us(board, (track.pin for track in show.tracks), 58)
    with capsys.disabled():
        print(f"\n  player: jitter {jitter:.4f} us, 12 servos; receive {heard:.1%}, send {said:.1%} busy")
        print(f"  and {between:.1%} outside the {len(pauses)} pauses of 60 frames")
    assert jitter <= 0.1
    assert heard > 0.99
    assert len(pauses) < 75
    assert between >= 0.95
    assert said > 0.8, "the board's sending was not busy enough to disturb anything"
    assert board.overruns == 0, "the receiver was not served in time"


def test_pulses_stand_still_with_both_directions_full(build_avr, tmp_path, capsys):
    """The shipped interrupts under a main that only sends back what comes: nothing lost, nothing moved."""
    elf = tmp_path / "full_line.elf"
    files = [build_avr.AVR / name for name in ("pulses.c", "uart.c", "lamps.c", "pins.c")]
    build_avr.compile_elf(elf, [Path(__file__).with_name("full_line.c"), *files])
    board = EmulatedUno()
    board.load(0, build_avr.content(elf))
    board.power_on()
    board.run(2 * FRAME)
    assert board.take() == b""
    board.capture(SERVO_PINS)
    data = np.random.default_rng(3).bytes(60 * FRAME // BYTE + 100)
    board.feed(data)
    begin = board.cycle
    board.run(60 * FRAME)
    back = board.take()
    heard = (len(data) - board.unsent) * BYTE / (board.cycle - begin)
    said = len(back) * BYTE / (board.cycle - begin)
    jitter = jitter_us(board, SERVO_PINS, 59)
    with capsys.disabled():
        print(f"\n  echo: jitter {jitter:.4f} us, 12 servos; receive {heard:.1%}, send {said:.1%} busy")
    assert heard >= 0.95
    assert said >= 0.95
    assert jitter <= 0.1
    assert data.startswith(back), "a byte was lost"
    assert board.overruns == 0, "the receiver was not served in time"


def test_a_receiver_that_nobody_serves_overruns(build_avr, tmp_path):
    source, elf = tmp_path / "deaf.c", tmp_path / "deaf.elf"
    source.write_text(DEAF)
    build_avr.compile_elf(elf, [source])
    board = EmulatedUno()
    board.load(0, build_avr.content(elf))
    board.power_on()
    board.run(10_000)
    board.feed(bytes(12))
    board.run(100_000)
    assert board.unsent == 0
    assert board.overruns == 12 - 3, "two bytes wait in the chip and one in its shift register"


def lit(samples: np.ndarray, pin: int, lit_when_low: bool) -> np.ndarray:
    high = samples[:, 1 + LAMP_PINS.index(pin)] / 256
    return 1 - high if lit_when_low else high


def test_lamps_have_the_cores_duty_and_dark_is_dark(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.board.sample_lamps()
    stage.run_s(0.2)
    stage.cue("greet")
    stage.run_s(5.5)
    rows = len(stage.widths())
    core = core_frames(image, stage, rows, REST)
    samples = np.array([(cycle, *highs) for cycle, highs in stage.board.lamp_samples])
    frame = (samples[:, 0] - stage.boundary()) // FRAME
    compared = 0
    for index, lamp in enumerate(show.lamps):
        duty = core.lamp_duty[:, index].astype(int)
        change = np.flatnonzero(np.diff(duty)) + 1
        for begin, end in zip([0, *change], [*change, rows], strict=True):
            # one frame for the main loop to set it, and whole turns of sixteen periods
            chosen = samples[(frame > begin) & (frame < end)]
            turns = len(chosen) // 16 * 16
            if end - begin < 4 or begin < frame[0]:
                continue
            seen = lit(chosen[:turns], lamp.pin, lamp.active_low).mean()
            assert abs(seen - min(duty[begin], 4080) / 4096) < 1 / 4096, (lamp.name, begin, end)
            lightness = core.lamp_lightness_q8[begin, index] / 512  # 0..100
            cie = lightness / 903.3 if lightness <= 8 else ((lightness + 16) / 116) ** 3
            assert abs(seen - min(cie, 4080 / 4096)) < 2 / 4096, (lamp.name, begin)
            compared += 1
            if duty[begin] == 0:
                assert not lit(chosen, lamp.pin, lamp.active_low).any(), "a dark lamp glimmers"
    assert compared >= 8


def test_a_crossed_beam_plays_the_scene_and_every_second_one_the_other(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(0.33)
    for _ in range(2):
        stage.press(0)
        stage.run_s(0.3)
        stage.press(REST)
        stage.run_s(7.0)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), REST)
    assert {show.number("greet"), show.number("storm")} <= set(core.scene.tolist())
    check_against_core(widths, core)


def test_a_beam_seen_for_less_than_its_debounce_does_nothing(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(0.2)
    stage.to_mid_frame()
    stage.board.drive(BEAM, 0)
    stage.board.run(FRAME // 6)
    stage.board.drive(BEAM, 1)
    stage.run_s(0.5)
    assert not [report for report in stage.link.reports(0.1) if report.name == "happened"]
    assert stage.link.status().state == 2


def test_the_bell_strikes_in_the_cores_frames_and_is_off_from_the_start(stage_of):
    show, _ = made_show(SERVO_PINS[:-1], switch_pin=12)
    image = build_image(show)
    stage = stage_of(image, show)
    stage.board.capture([12])
    assert stage.board.is_output(12)
    assert stage.board.port_level(12) == 1, "the bell is on when low"
    stage.run_s(0.3)
    stage.cue("greet")
    stage.run_s(5.5)
    core = core_frames(image, stage, len(stage.widths()), REST)
    strikes = [edge for edge in stage.board.edges if edge.pin == 12]
    wanted = np.flatnonzero(np.diff(core.switches & 1)) + 1
    assert len(wanted) >= 4
    frames = [(edge.cycle - stage.boundary()) // FRAME for edge in strikes if edge.cycle > stage.boundary()]
    assert frames == wanted.tolist()
    assert [edge.level for edge in strikes][-len(frames) :] == [
        1 - int(core.switches[row] & 1) for row in wanted
    ]
