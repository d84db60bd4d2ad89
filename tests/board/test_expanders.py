"""PCA9685 expanders under the shipped firmware, on the emulated two-wire bus."""

from __future__ import annotations

import io
import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from sequencer.board import connect
from sequencer.board.emulated_kinds import BOARD_KINDS
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.board.oscillator import measure_oscillator
from sequencer.board.pca9685 import ALL_LED, MODE1, PRE_SCALE, Pca9685
from sequencer.cli.main import run
from sequencer.errors import LinkError
from sequencer.figure.read import read_figure
from sequencer.player.player import Fault, State
from sequencer.tables.extra_expanders import ExpanderRecord, expanders_extra, output_pin
from sequencer.tables.image import build_image
from sequencer.tables.model import ShowImage
from tests.board.boards import MEGA_SERVO_PINS, on_board
from tests.board.emulated_show import FRAME, Stage, core_frames, made_show, start_stage
from tests.board.inside import dead
from tests.board.test_strings import drain, saturate

SERVOS, LAMPS = 0x40, 0x47
BOTH = pytest.mark.parametrize("kind", ["uno", "mega"])
#: Two servos on the board's pins, five on an expander; the lamps keep two pins and take two outputs.
PINS = (2, 7, *(output_pin(0, n) for n in (0, 1, 2, 9, 15)))
SDA, SCL = 18, 19
TWCR, TWEN = 0xBC, 0x04


def made(kind: str = "uno", *, oscillator_khz: int | None = 25_000, khz: int = 400) -> ShowImage:
    show = on_board(made_show(PINS)[0], kind)
    lamps = list(show.lamps)
    lamps[0] = replace(lamps[0], pin=output_pin(1, 3))
    lamps[2] = replace(lamps[2], pin=output_pin(1, 15))  # lit when low
    extra = expanders_extra(
        (ExpanderRecord(SERVOS, "servos", oscillator_khz), ExpanderRecord(LAMPS, "lamps")), khz
    )
    assert extra is not None
    return replace(show, inputs=(), lamps=tuple(lamps), extras=(extra,))


def parts(port: EmulatedTransport) -> tuple[Pca9685, Pca9685]:
    servos, lamps = Pca9685(SERVOS), Pca9685(LAMPS)
    port.board.i2c.plug(servos)
    port.board.i2c.plug(lamps)
    return servos, lamps


def started(put_on_board, show: ShowImage) -> tuple[Stage, Pca9685, Pca9685]:
    port = put_on_board(build_image(show))
    both = parts(port)
    return start_stage(port, build_image(show), show), *both


@BOTH
def test_registers_are_set_in_the_datasheets_order(put_on_board, kind):
    stage, servos, lamps = started(put_on_board, made(kind))
    said = [data for address, data in stage.board.i2c.log if address == SERVOS]
    # Off, asleep, PRE_SCALE (taken only then), awake, and RESTART after 500 us (7.3.1.1).
    assert said[:5] == [
        bytes([ALL_LED + 3, 0x10]),
        bytes([MODE1, 0x30]),
        bytes([PRE_SCALE, 121]),
        bytes([MODE1, 0x20]),
        bytes([MODE1, 0xA0]),
    ]
    assert not servos.refused
    assert servos.awake
    assert lamps.registers[PRE_SCALE] == 11
    assert 1 / lamps.period_s >= 400


@BOTH
def test_every_expander_pulse_is_the_cores_in_the_nearest_count(put_on_board, kind):
    show = made(kind)
    stage, servos, lamps = started(put_on_board, show)
    stage.run_s(0.3)
    stage.cue("greet")
    first = stage.to_mid_frame()
    seen, lit = [], []
    for _ in range(250):
        seen.append([servos.counts(pin & 15)[1] for pin in PINS[2:]])
        lit.append([lamps.counts(3)[1], lamps.counts(15)[1]])
        stage.board.run(FRAME)
    core = core_frames(stage.image, stage, first + 260)
    scale = ExpanderRecord(SERVOS, "servos", 25_000).scale
    wanted = (core.pulse_sixteenths[:, 2:].astype(np.int64) * scale + (1 << 19)) >> 20
    duty = core.lamp_duty[:, [0, 2]].astype(np.int64)
    duty[:, 1] = 4095 - duty[:, 1]
    duty[duty == 4095] = 4096
    # An expander takes each frame's values while the pins play the frame before.
    rows = slice(first + 1, first + 251)
    assert np.ptp(wanted[rows], axis=0).min() > 20, "the scene must move every servo"
    np.testing.assert_array_equal(np.array(seen), wanted[rows])
    np.testing.assert_array_equal(np.array(lit), duty[rows])
    # Half a count is the most that a pulse is off (and half a unit of the image's scale).
    exact = core.pulse_sixteenths[rows, 2:] / 16
    assert np.abs(np.array(seen) * servos.tick_s * 1e6 - exact).max() <= 4.88 / 2 + exact.max() / (2 * scale)
    assert stage.link.status().late_frames == 0


@BOTH
def test_no_two_servos_start_together_and_no_pulse_runs_over_the_cycles_end(put_on_board, kind):
    stage, servos, _ = started(put_on_board, made(kind))
    stage.run_s(1.0)
    found = [servos.counts(pin & 15) for pin in PINS[2:]]
    starts = sorted(on for on, _ in found)
    assert min(np.diff(starts)) >= 200
    assert all(on + width < 4096 for on, width in found)


@pytest.mark.parametrize("kind", ["mega"])
def test_half_of_a_megas_servos_on_two_expanders_move_none_of_the_others(put_on_board, kind, capsys):
    """All 24 move, the line is full, and the bus is written to in each frame."""
    outputs = [output_pin(e, n) for e in (0, 1) for n in (0, 3, 7, 8, 12, 15)]
    own = slice(12)
    show = on_board(made_show((*MEGA_SERVO_PINS[::2], *outputs))[0], kind)
    # oscillators of their own, so that the counts tell whose servo an output is
    records = [ExpanderRecord(SERVOS, "servos", 24_300), ExpanderRecord(0x43, "servos", 26_100)]
    extra = expanders_extra(records, 400)
    assert extra is not None
    show = replace(show, inputs=(), extras=(extra,))
    image = build_image(show)
    port = put_on_board(image)
    chips = [Pca9685(record.address, 1000.0 * (record.oscillator_khz or 0)) for record in records]
    for chip in chips:
        port.board.i2c.plug(chip)
    stage = start_stage(port, image, show)
    board = stage.board
    stage.run_s(0.3)
    stage.cue("greet")
    first = stage.to_mid_frame()
    board.run(FRAME * 35 // 100)  # with the line full the outputs take longer, but not until the next frame
    before, seen = board.i2c.bytes, []
    for _ in range(120):
        seen.append([chips[(pin - 128) // 16].counts(pin & 15)[1] for pin in outputs])
        saturate(stage, 1)
    each_frame = (board.i2c.bytes - before) / 120
    drain(stage)
    assert stage.link.status().late_frames == 0
    assert board.overruns == 0
    assert each_frame == pytest.approx(12 * 6 + 2 * 4, rel=0.02)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths))
    rows = slice(first + 1, first + 121)
    due = core.pulse_sixteenths.astype(np.int64)
    assert np.ptp(due[rows], axis=0).min() > 16 * 50, "the scene must move every servo"
    error = widths[rows, own] - due[rows, own]
    with capsys.disabled():
        print(f"\n  mega, 12 servos and 12 on two expanders: jitter {np.ptp(error) / 16:.4f} us")
    assert np.ptp(error) == 0
    scale = np.array([records[(pin - 128) // 16].scale for pin in outputs])
    np.testing.assert_array_equal(np.array(seen), (due[rows, 12:] * scale + (1 << 19)) >> 20)


@pytest.mark.parametrize("khz", [100, 400])
def test_the_bus_fits_the_frame(put_on_board, khz):
    stage, _, _ = started(put_on_board, made(khz=khz))
    stage.run_s(1.0)
    bus = stage.board.i2c
    before, at = bus.bytes, stage.board.cycle
    stage.run_s(1.0)
    frames = (stage.board.cycle - at) / FRAME
    # 7 outputs of 6 bytes and 2 looks of 4
    assert (bus.bytes - before) / frames == pytest.approx(7 * 6 + 2 * 4, rel=0.02)
    assert stage.link.status().late_frames == 0


def test_without_a_calibrated_oscillator_no_servo_gets_a_pulse(put_on_board):
    stage, servos, lamps = started(put_on_board, made(oscillator_khz=None))
    stage.run_s(1.0)
    assert [servos.counts(n)[1] for n in range(16)] == [0] * 16
    assert stage.link.status().state == State.IDLE
    assert lamps.counts(15)[1] > 0


@BOTH
def test_a_missing_servo_expander_is_a_fault_before_any_pulse(put_on_board, kind):
    show = made(kind)
    port = put_on_board(build_image(show))
    port.board.i2c.plug(Pca9685(LAMPS))
    port.board.capture(PINS[:2])
    port.reset()
    port.board.run_s(3.0)
    assert not port.board.edges
    status = Link(port).status()
    assert (status.state, status.fault) == (State.FAULT, Fault.EXPANDER)


def test_a_missing_lamp_expander_is_told_and_the_show_goes_on(put_on_board):
    show = made()
    port = put_on_board(build_image(show))
    port.board.i2c.plug(Pca9685(SERVOS))
    stage = start_stage(port, build_image(show), show)
    stage.run_s(0.5)
    assert stage.link.status().state == State.IDLE
    late = Pca9685(LAMPS)
    port.board.i2c.plug(late)
    stage.run_s(0.2)
    assert late.awake
    assert late.counts(15)[1] > 0
    assert stage.link.status().late_frames == 0


def test_an_expander_pulled_out_mid_scene_ends_the_pulses(put_on_board):
    stage, _, _ = started(put_on_board, made())
    stage.run_s(0.3)
    stage.cue("greet")
    stage.run_s(1.0)
    stage.board.i2c.unplug(SERVOS)
    at = stage.board.cycle
    stage.board.run_s(0.5)
    status = stage.link.status()
    assert (status.state, status.fault) == (State.FAULT, Fault.EXPANDER)
    assert (max(e.cycle for e in stage.board.edges) - at) / FRAME < 8


def test_an_expander_that_was_out_of_reach_is_turned_off_once_it_answers_again(put_on_board):
    """Its own supply stayed: it has played its last pulses all the while."""
    stage, servos, lamps = started(put_on_board, made())
    stage.link.wait_ready()
    stage.run_s(0.5)
    assert all(servos.counts(pin & 15)[1] for pin in PINS[2:])
    stage.board.i2c.unplug(SERVOS)
    stage.board.run_s(0.2)
    assert stage.link.status().fault == Fault.EXPANDER
    assert [lamps.counts(n)[1] for n in range(16)] == [0] * 16, "it keeps nobody else waiting"
    assert any(servos.counts(pin & 15)[1] for pin in PINS[2:]), "nothing can reach it"
    stage.board.run_s(3.0)
    stage.board.i2c.plug(servos)
    stage.board.run(FRAME + FRAME // 10)
    assert [servos.counts(n)[1] for n in range(16)] == [0] * 16
    # and then there is nothing left to say
    before = stage.board.i2c.bytes
    stage.board.run(10 * FRAME)
    assert stage.board.i2c.bytes == before


def test_one_out_of_reach_when_the_figure_is_laid_down_does_not_disturb_the_bench(put_on_board):
    stage, servos, lamps = started(put_on_board, made())
    stage.link.wait_ready()
    stage.run_s(0.5)
    stage.link.hold()
    stage.run_s(3.0)
    assert lamps.counts(15)[1] > 0
    stage.board.i2c.unplug(LAMPS)
    stage.link.workshop()
    other, record = Pca9685(0x41), ExpanderRecord(0x41, "servos", 25_000)
    stage.board.i2c.plug(other)
    stage.link.bench_expander(record.address, record.prescale, record.scale)
    stage.link.bench_servo(128 + 5, 1500)
    stage.run_s(0.2)
    assert lamps.counts(15)[1] > 0, "nothing can reach it"
    stage.board.i2c.plug(lamps)
    stage.run_s(0.1)
    assert [lamps.counts(n)[1] for n in range(16)] == [0] * 16
    assert [servos.counts(n)[1] for n in range(16)] == [0] * 16
    assert other.width_us(5) == pytest.approx(1500, abs=record.tick_us)


def test_a_start_without_a_whole_image_resets_every_expander_and_frees_the_bus(put_on_board, player_facts):
    """What hangs on the bus stood in the image: the chips' own general call needs no address."""
    stage, servos, lamps = started(put_on_board, made())
    stage.link.wait_ready()
    stage.run_s(0.5)
    far = Pca9685(0x43)  # an output that runs, and of which no image tells
    far.registers[:] = servos.registers
    stage.board.i2c.plug(far)
    stage.board.load(int(str(player_facts["image_base"])) + 40, b"\xee")
    stage.board.i2c.log.clear()
    stage.port.reset()
    assert Link(stage.port).hello().fault == Fault.BAD_CRC
    assert stage.board.i2c.log == [(0x00, b"\x06")]
    for chip in (servos, lamps, far):
        assert [chip.counts(n)[1] for n in range(16)] == [0] * 16
    assert dead(stage.board)
    assert not stage.board.chip.data[TWCR] & TWEN, "the bus would keep its two pins from the bench"
    assert [stage.board.port_level(pin) for pin in (SDA, SCL)] == [0, 0], "no pull-up"


def test_an_expander_that_lost_its_supply_for_a_moment_does_not_jump(put_on_board):
    stage, servos, _ = started(put_on_board, made())
    stage.run_s(0.3)
    servos.power_on()  # asleep, registers gone, but it answers
    stage.board.run_s(0.3)
    assert stage.link.status().fault == Fault.EXPANDER
    assert [servos.counts(n)[1] for n in range(16)] == [0] * 16


@BOTH
def test_a_data_line_held_low_is_seen_before_start(put_on_board, kind):
    show = made(kind)
    port = put_on_board(build_image(show))
    parts(port)
    sda, scl = BOARD_KINDS[kind].i2c
    port.board.drive(sda, 0)
    port.board.capture((scl,))
    port.reset()
    port.board.run_s(2.0)  # the loader waits for a second
    assert port.board.i2c.bytes == 0, "a START on a bus that is not free"
    # nine clocks by hand were tried
    clocks = [pulse.width / 16 for pulse in port.board.pulses(scl)]
    assert len(clocks) >= 9
    status = Link(port).status()
    assert (status.state, status.fault) == (State.FAULT, Fault.EXPANDER)


# -- on the bench ----------------------------------------------------------------------------------------


def wired(port: EmulatedTransport, chip: Pca9685, output: int, pin: int) -> None:
    """A wire from an output to a pin of the board, by the chip's own clock."""
    board = port.board
    board.drive(pin, 0)

    def edge(cycle: int) -> int:
        on, high = chip.counts(output)
        period, tick = 16e6 * chip.period_s, 16e6 * chip.tick_s
        if not 0 < high < 4096:
            board.drive(pin, 0)
            return cycle + 16_000
        into = (cycle - on * tick) % period
        rising = into < 0.5 * tick or period - into < 0.5 * tick
        board.drive(pin, int(rising or into < (high - 0.5) * tick))
        due = high * tick if rising else period - into if into > (high - 0.5) * tick else high * tick - into
        return cycle + max(1, round(due))

    timer = board.chip.timer(edge)
    board.chip.start(16_000, timer)


@pytest.mark.parametrize(("mhz", "output"), [(23.1, 0), (26.4, 15)])
def test_the_oscillator_is_measured_by_a_wire(put_on_board, mhz: float, output: int):
    port = put_on_board(None)
    chip = Pca9685(0x41, oscillator_hz=1e6 * mhz)
    port.board.i2c.plug(chip)
    port.reset()
    link = Link(port)
    link.hello()
    wired(port, chip, output, 2)
    found = measure_oscillator(link, 0x41, output, 2, seconds=5.0)
    assert found.mhz == pytest.approx(mhz, rel=0.001)
    assert abs(found.mhz - mhz) <= found.doubt_mhz
    assert found.doubt_mhz < 0.002 * mhz, "what limits take for granted"
    link.reports(0.1)
    assert chip.counts(output)[1] == 0, "and it is off again"


def test_without_the_wire_or_the_expander_it_says_so(put_on_board):
    port = put_on_board(None)
    port.board.i2c.plug(Pca9685(0x41))
    port.reset()
    link = Link(port)
    link.hello()
    with pytest.raises(LinkError, match="no pulses arrive on D2"):
        measure_oscillator(link, 0x41, 3, 2, seconds=1.0)
    with pytest.raises(LinkError, match="no expander answers at address 0x42"):
        measure_oscillator(link, 0x42, 3, 2, seconds=1.0)


def test_a_servo_on_an_expander_is_benched_as_gently_as_any(put_on_board):
    port = put_on_board(None)
    chip = Pca9685(0x40)
    port.board.i2c.plug(chip)
    port.reset()
    link = Link(port)
    link.hello()
    with pytest.raises(LinkError, match="bad argument"):
        link.bench_servo(128 + 5, 1500)
    record = ExpanderRecord(0x40, "servos", 25_000)
    link.bench_expander(record.address, record.prescale, record.scale)
    link.bench_servo(128 + 5, 1500)
    link.reports(0.1)
    assert chip.width_us(5) == pytest.approx(1500, abs=record.tick_us)
    link.bench_servo(128 + 5, 1700)
    widths = []
    for _ in range(60):
        port.board.run(FRAME // 2)
        widths.append(chip.width_us(5))
        link.status()
    assert widths[-1] == pytest.approx(1700, abs=record.tick_us)
    assert max(b - a for a, b in pairwise(widths)) <= 8 + record.tick_us
    link.bench_servo(9, 1500)
    link.reports(0.1)
    assert chip.counts(5)[1] == 0, "one servo at a time"
    link.bench_servo(128 + 5, 1500)
    link.reports(0.1)
    port.board.run_s(2.2)
    assert chip.counts(5)[1] == 0, "a silent host ends it"


def test_calibrate_measures_the_expander_then_a_servo_on_it(put_on_board, tmp_path, monkeypatch, capsys):
    """Two runs of the command, the wire between them taken for granted; the board is a bare one."""
    port = put_on_board(None)
    chip = Pca9685(0x41, oscillator_hz=26.2e6)
    port.board.i2c.plug(chip)
    show = tmp_path / "show"
    assert run(["new", str(show)]) == 0
    file = show / "figure.toml"
    text = file.read_text()
    file.write_text(
        text.replace('pin = "D7"', 'pin = "more.3"', 1)
        + '\n[expanders.more]  # behind the neck\naddress = 0x41\nserves = "servos"\n'
    )
    name = next(name for name, servo in read_figure(show).servos.items() if servo.pin == output_pin(0, 3))

    class Opened(EmulatedTransport):
        def close(self) -> None:
            pass

    bench_expander = Link.bench_expander

    def then_wired(self, *how):  # the loader's way out, a reset, would take the wire off
        bench_expander(self, *how)
        wired(port, chip, 15, 3)

    monkeypatch.setattr(Link, "bench_expander", then_wired)
    monkeypatch.setattr(connect, "open_port", lambda *_, **__: Opened(port.board))

    def calibrate(words: str, *options: str) -> str:
        monkeypatch.setattr(sys, "stdin", io.StringIO(words))
        capsys.readouterr()
        assert run(["calibrate", str(show), *options]) == 0
        return capsys.readouterr().out

    assert "oscillator is not calibrated" in calibrate("q", "--only", name)
    said = calibrate("enter", "--expander", "more", "--seconds", "5")
    assert "output 15 of expander `more` to D3" in said
    assert read_figure(show).expanders["more"].oscillator_mhz == pytest.approx(26.2, rel=0.001)
    assert "# behind the neck" in file.read_text()
    widths = []
    bench_servo = Link.bench_servo

    def noted(self, pin, pulse_us):
        bench_servo(self, pin, pulse_us)
        self.reports(0.1)
        widths.append((pulse_us, chip.width_us(3)))

    monkeypatch.setattr(Link, "bench_servo", noted)
    calibrate("enter up right m n", "--only", name)
    assert [asked for asked, _ in widths[:3]] == [1500, 1520, 1522]
    for asked, got in widths:
        assert got == pytest.approx(asked, abs=0.6 * chip.tick_s * 1e6 + 0.001 * asked)
    assert read_figure(show).servos[name].centre_us == 1522
