"""The wiring table by pin, lamps' resistors and over-current pins that say which number to change."""

from __future__ import annotations

import pytest

from sequencer.errors import FigureError
from sequencer.figure import wiring
from sequencer.figure.judge import findings
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure


def _with_lamp(text: str, lines: str) -> Figure:
    return parse_figure(text.replace("rest_percent = 20", lines).encode())


def test_a_row_a_pin_in_the_order_of_the_pins(bust: Figure) -> None:
    rows = wiring.rows(bust)
    assert [row.pin for row in rows] == ["D2", "D5", "D7", "D8", "A0", "GND"]
    assert [row.what for row in rows][:2] == ["input beam", "lamp eye"]
    assert "pulses" in rows[2].does
    assert "servo supply" in rows[2].connect
    assert "common" in rows[-1].does


@pytest.mark.parametrize(
    ("line", "what", "connect"),
    [
        ("active_low = false", "switch bell", "pull-down resistor 10 kilohm"),
        ("active_low = true", "switch bell", "pull-up resistor 10 kilohm"),
    ],
)
def test_a_pull_resistor_keeps_a_switch_off(good_text: str, line: str, what: str, connect: str) -> None:
    """While the board resets its pins float: the resistor pulls to where the switch is off."""
    figure = parse_figure(good_text.replace("lead_ms = 40", f"lead_ms = 40\n{line}").encode())
    (row,) = [row for row in wiring.rows(figure) if row.what == what]
    assert row.connect == connect
    assert row.does.startswith("on when low" if "true" in line else "on when high")


def test_a_lamps_resistor_is_in_the_table(good_text: str) -> None:
    """5 V, 2.0 V, 20 mA: 150 ohm (check-values 13)."""
    figure = _with_lamp(good_text, "forward_v = 2.0")
    (row,) = [row for row in wiring.rows(figure) if row.what == "lamp eye"]
    assert row.connect == "resistor 150 ohm 0.25 W (20 mA)"
    strip = _with_lamp(good_text, 'supply_v = 12\nforward_v = 9.6\ncurrent_ma = 300\nthrough = "transistor"')
    (row,) = [row for row in wiring.rows(strip) if row.what == "lamp eye"]
    assert row.connect == "resistor 8.2 ohm 2 W (293 mA) from 12 V through a transistor, 1 kilohm at its base"
    assert not [item for item in findings(strip) if item.channel == "eye"]


def test_too_much_current_says_which_number_to_change_and_to_what(good_text: str) -> None:
    figure = _with_lamp(good_text, "forward_v = 3.2\ncurrent_ma = 60")
    (item,) = [item for item in findings(figure) if item.channel == "eye"]
    assert (item.code, item.severity) == ("supply", "error")
    assert item.limit == 40.0
    # 1.8 V over the 33 ohm that follow 30 in E12.
    assert item.value == pytest.approx(1800.0 / 33.0)
    assert item.remedy is not None
    assert "set its current_ma to 20 with a resistor of 100 ohm" in item.remedy
    mended = _with_lamp(good_text, "forward_v = 3.2\ncurrent_ma = 20")
    assert not [item for item in findings(mended) if item.channel == "eye"]


def test_six_lamps_at_the_pins_limit_are_told_as_a_group(good_text: str) -> None:
    lamps = "\n".join(f'[lamps.l{pin}]\npin = "D{pin}"\ncurrent_ma = 39\n' for pin in (3, 6, 11))
    text = good_text.replace("rest_percent = 20", "current_ma = 39")
    text = text.replace("[poses.look]", lamps + "[poses.look]")
    found = [item for item in findings(parse_figure(text.encode())) if item.code == "supply"]
    single = [item for item in found if item.channel is not None]
    assert [item.severity for item in single] == ["warning"] * 4
    # D5, D6, D11: 117 mA of 150; with D3 and the relay 161 of 200 for the chip: neither is over.
    assert not [item for item in found if item.channel is None]
    sunk = text.replace("current_ma = 39", "current_ma = 39\nactive_low = true")
    (group,) = [
        item
        for item in findings(parse_figure(sunk.encode()))
        if item.code == "supply" and item.channel is None
    ]
    # Sinking, the same three pins may take 100 mA.
    assert group.severity == "error"
    assert group.value == pytest.approx(117.0)
    assert group.limit == pytest.approx(100.0)
    assert group.remedy is not None
    assert "33" in group.remedy


def test_what_breaks_a_pin_is_not_told_again_of_its_group(good_text: str) -> None:
    """One lamp of 300 mA: the pin, not the group and the chip too; mended, nothing is left to tell."""
    found = [item for item in findings(_with_lamp(good_text, "current_ma = 300")) if item.unit == "mA"]
    assert [item.channel for item in found] == ["eye"]
    assert not [item for item in findings(_with_lamp(good_text, "current_ma = 20")) if item.unit == "mA"]


@pytest.mark.parametrize(
    ("lines", "key", "says"),
    [
        ("forward_v = 6.4", "forward_v", "supply_v = 8.4"),
        ("supply_v = 12\nforward_v = 9.6", "supply_v", 'through = "transistor"'),
        ('supply_v = 12\nforward_v = 12.8\nthrough = "transistor"', "forward_v", "supply_v = 14.8"),
    ],
)
def test_lamps_that_cannot_work_are_refused(good_text: str, lines: str, key: str, says: str) -> None:
    with pytest.raises(FigureError) as caught:
        _with_lamp(good_text, lines)
    (fault,) = caught.value.faults
    assert fault.message.startswith(f"lamps.eye.{key}")
    assert fault.line is not None
    assert fault.remedy is not None
    assert says in fault.remedy
