"""Expanders and I2C memory in figure.toml: what is read, what is refused, and what it means for the show."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from sequencer.errors import FigureError, UsageError
from sequencer.figure import judge, wiring
from sequencer.figure.expanders import OSCILLATOR_ERROR, ends_margin_us, tick_us
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure
from sequencer.figure.sheet import cautions

BASE = """
name = "Far head"
[board]
kind = "uno"
{board}
[supply]
voltage_v = 6.0
rating_a = 10.0
[servos.turner]
pin = {pin}
class = "standard"
ends_us = [1000, 2000]
[axes.turn]
range_deg = [-30, 30]
words = ["left", "right"]
turns_about = "up"
drive = {{ servo = "turner" }}
[lamps.eye]
pin = {lamp}
{more}
"""
NECK = """
[expanders.neck]
address = 0x40
serves = "servos"
oscillator_mhz = 25.7
"""
EYES = """
[expanders.eyes]
address = 0x41
serves = "lamps"
"""


def figure(pin: object = 7, lamp: object = 5, more: str = "", board: str = "") -> Figure:
    text = BASE.format(
        pin=f'"{pin}"' if isinstance(pin, str) else pin,
        lamp=f'"{lamp}"' if isinstance(lamp, str) else lamp,
        more=more,
        board=board,
    )
    return parse_figure(text.encode())


def refused(words: str, **said: object) -> None:
    with pytest.raises(FigureError) as caught:
        figure(**said)  # type: ignore[arg-type]
    assert words in str(caught.value), caught.value


def test_outputs_are_named_by_expander_and_number():
    read = figure("neck.3", "eyes.15", NECK + EYES)
    assert read.servos["turner"].pin == 128 + 3
    assert read.lamps["eye"].pin == 128 + 16 + 15
    neck = read.expanders["neck"]
    assert (neck.address, neck.serves, neck.oscillator_mhz) == (0x40, "servos", 25.7)
    assert read.expanders["eyes"].oscillator_mhz is None


def test_what_cannot_be_is_told_in_words():
    refused("serves servos", lamp="neck.0", more=NECK)
    refused("serves lamps", pin="eyes.0", more=EYES)
    refused("NAME.0 to NAME.15", pin="neck.16", more=NECK)
    refused("NAME.0 to NAME.15", pin="nobody.1", more=NECK)
    refused("has this address already", more=NECK + EYES.replace("0x41", "0x40"))
    refused("means something else", more=NECK.replace("0x40", "0x70"))
    refused("means something else", more=NECK.replace("0x40", "0x50"))
    refused("is SDA of the I2C bus", pin="A4", more=EYES)
    refused("is SCL of the I2C bus", pin="A5", board="memory_kb = 64")
    refused(
        "too many expanders",
        more="".join(NECK.replace("neck", f"n{i}").replace("40", f"4{i}") for i in range(5)),
    )
    refused(
        "already serves", pin="neck.3", more=NECK + '[servos.other]\npin = "neck.3"\nclass = "standard"\n'
    )
    refused("is too big", pin=131, more=NECK)


def test_what_a_count_means_is_said_and_the_ends_hold():
    read = figure("neck.3", 5, NECK)
    servo, neck = read.servos["turner"], read.expanders["neck"]
    # 25.7 MHz / (4096 * 50) = 125.5 -> 125 or 126: the cycle is 20 ms within half a step
    assert tick_us(neck) * 4096 == pytest.approx(20_000, rel=0.5 / 125)
    assert ends_margin_us(read, servo) == pytest.approx(
        tick_us(neck) / 2 + OSCILLATOR_ERROR * servo.pulse_us[1]
    )
    assert ends_margin_us(figure(), figure().servos["turner"]) == 0
    (note,) = [item for item in judge.findings(read) if "expander" in item.message]
    step_deg = math.degrees(tick_us(neck) / servo.us_per_rad)
    assert (note.severity, note.code, note.unit) == ("note", "rate", "deg/s")
    assert note.value == pytest.approx(step_deg / 0.02)


def test_servos_of_an_expander_that_is_not_calibrated_are_off_and_everybody_says_so():
    read = figure("neck.3", 5, NECK.replace("oscillator_mhz = 25.7", ""))
    off = [item for item in judge.findings(read) if "not calibrated" in item.message]
    assert [item.severity for item in off] == ["warning"]
    assert "turner" in off[0].message
    from sequencer.cli.ready import require_calibrated

    with pytest.raises(UsageError, match="neck"):
        require_calibrated(read)
    require_calibrated(figure("neck.3", 5, NECK))
    # an expander that nothing hangs on is nobody's trouble
    require_calibrated(replace(read, servos={}))


def test_the_board_says_how_fast_its_bus_is_and_how_much_memory_it_has():
    read = figure(board="i2c_khz = 100\nmemory_kb = 128")
    assert (read.board.i2c_khz, read.board.memory_bytes) == (100, 131_072)
    assert (figure().board.i2c_khz, figure().board.memory_bytes) == (400, 0)


def test_an_expander_with_servos_wants_its_output_enable_wired():
    """Nothing else reaches it while the board is loaded; lamps may go on."""
    read = figure("neck.3", "eyes.15", EYES + NECK)
    (row,) = [row for row in wiring.rows(read) if "/OE" in row.pin]
    assert (row.pin, row.what) == ("/OE of expander 2", "expander neck")
    assert "pull-up resistor" in row.connect
    pins = [row.pin for row in wiring.rows(read)]
    assert pins.index(row.pin) < pins.index("neck.3")
    (said,) = [line for line in cautions(read) if "/OE" in line]
    assert "neck would go on" in said
    assert not [line for line in cautions(figure(7, "eyes.15", EYES)) if "/OE" in line]


def test_the_bus_has_its_rows_with_every_address():
    rows = {
        row.what: row
        for row in wiring.rows(figure("neck.3", "eyes.15", EYES + NECK, board="memory_kb = 128"))
    }
    assert (rows["SDA of the I2C bus"].pin, rows["SCL of the I2C bus"].pin) == ("A4", "A5")
    does = rows["SDA of the I2C bus"].does
    assert "memory at 0x50 and 0x51" in does
    assert does.count(" at 0x4") == 2
    assert "4.7 kilohm" in rows["SCL of the I2C bus"].connect
    assert not [row for row in wiring.rows(figure()) if "I2C" in row.what]
