"""Resistors, wire, pins and supplies against published numbers (check-values 13 and the currents of 7).

Sources stand beside each check. IEC 60063: preferred values. Wire: copper at 20 C, milliohm a metre,
handbook table. ATmega328P: Atmel 8271H p. 300-301. USB 2.0: 7.2.1.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.figure import electric
from sequencer.figure.electric import PinLoad, led_resistor, overloads, standard_resistor, voltage_drop_v


def test_preferred_values_of_iec_60063() -> None:
    assert electric.E12 == (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
    assert set(electric.E24) - set(electric.E12) == {11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91}
    assert len(electric.E24) == 24
    assert list(electric.E24) == sorted(electric.E24)


@pytest.mark.parametrize(
    ("supply_v", "forward_v", "series", "exact", "chosen"),
    [
        (5.0, 2.0, "E12", 150.0, 150.0),
        (5.0, 2.0, "E24", 150.0, 150.0),
        (5.0, 3.2, "E12", 90.0, 100.0),
        (5.0, 3.2, "E24", 90.0, 91.0),
    ],
)
def test_led_resistors(
    supply_v: float, forward_v: float, series: electric.Series, exact: float, chosen: float
) -> None:
    """R = (Vs - sum Vf) / I at 20 mA, next value up (IEC 60063)."""
    resistor = led_resistor(supply_v, forward_v, 0.020, series)
    assert resistor.exact_ohm == pytest.approx(exact, rel=1e-12)
    assert resistor.ohm == chosen
    assert resistor.current_a == pytest.approx((supply_v - forward_v) / chosen, rel=1e-12)


def test_a_resistor_bears_twice_its_heat() -> None:
    """P = U^2 / R (Ohm, Joule): 3 V over 150 ohm is 60 mW; 9 V at 60 mA is half a watt."""
    assert led_resistor(5.0, 2.0, 0.020).power_w == pytest.approx(0.060, rel=1e-12)
    assert led_resistor(5.0, 2.0, 0.020).rating_w == 0.25
    strong = led_resistor(12.0, 3.0, 0.060)
    assert strong.power_w == pytest.approx(81.0 / 150.0, rel=1e-12)
    assert strong.rating_w == 2.0


@given(st.floats(0.01, 9e6), st.sampled_from(["E12", "E24"]))
def test_the_next_value_up_is_near(ohm: float, series: electric.Series) -> None:
    """Neighbours of E12 differ by at most 25 %, of E24 by less."""
    values = electric.E12 if series == "E12" else electric.E24
    widest = max(b / a for a, b in zip(values, (*values[1:], 10 * values[0]), strict=True))
    chosen = standard_resistor(ohm, series)
    assert ohm * (1.0 - 1e-8) <= chosen <= ohm * widest * (1.0 + 1e-8)
    decade = 10.0 ** math.floor(math.log10(chosen) + 1e-9)
    assert any(abs(chosen / decade * 10.0 - value) < 1e-6 for value in values)


def test_no_resistor_where_there_is_no_voltage_for_it() -> None:
    with pytest.raises(ValueError, match="above the forward voltage"):
        led_resistor(3.0, 3.2, 0.02)
    with pytest.raises(ValueError, match="positive"):
        standard_resistor(0.0)


@pytest.mark.parametrize(
    ("awg", "milliohm_m"), [(24, 84.2), (22, 52.96), (20, 33.31), (18, 20.95), (16, 13.17)]
)
def test_wire_table(awg: int, milliohm_m: float) -> None:
    """Copper at 20 C; and the table agrees with the gauge's own formula (ASTM B258, from memory):
    d = 0.127 mm * 92^((36 - n) / 39), resistivity 1.724e-8 ohm m (annealed copper, IEC 60028)."""
    assert pytest.approx(milliohm_m / 1000.0, rel=1e-12) == electric.OHM_PER_M[awg]
    diameter_m = 0.127e-3 * 92.0 ** ((36 - awg) / 39.0)
    formula = 1.724e-8 / (math.pi / 4.0 * diameter_m**2)
    assert electric.OHM_PER_M[awg] == pytest.approx(formula, rel=0.005)


def test_voltage_drop_there_and_back() -> None:
    """2 m run there and back at 3 A in AWG 22 drops 0.6355 V (handbook table, check-values 13)."""
    assert voltage_drop_v(22, 2.0, 3.0) == pytest.approx(0.6355, abs=5e-5)
    assert electric.longest_run_m(22, 3.0, voltage_drop_v(22, 2.0, 3.0)) == pytest.approx(2.0, rel=1e-12)


def test_the_thinnest_wire_that_does() -> None:
    assert electric.wire_for(2.0, 3.0, 0.64) == 22
    assert electric.wire_for(2.0, 3.0, 0.63) == 20
    assert electric.wire_for(2.0, 3.0, 0.64, carries_a=10.0) == 20
    assert electric.wire_for(20.0, 10.0, 0.3) is None


def test_pin_limits_of_the_datasheet() -> None:
    """Atmel 8271H p. 300-301: 40 mA a pin and 200 mA VCC/GND absolute maximum, port groups 150 mA
    source and 100 mA sink, 20 mA test condition."""
    assert (electric.PIN_TEST_A, electric.PIN_MAX_A, electric.CHIP_MAX_A) == (0.020, 0.040, 0.200)
    assert (electric.SOURCE_GROUP_A, electric.SINK_GROUP_A) == (0.150, 0.100)


def _pins(current_ma: float, pins: tuple[int, ...], sinks: bool = False) -> list[PinLoad]:
    return [PinLoad(f"p{pin}", pin, current_ma / 1000.0, sinks) for pin in pins]


@pytest.mark.parametrize(
    ("current_ma", "said"), [(20.0, []), (20.1, [False]), (40.0, [False]), (40.1, [True])]
)
def test_a_pin_at_its_limits(current_ma: float, said: list[bool]) -> None:
    assert [over.breaks for over in overloads(_pins(current_ma, (5,)))] == said


def test_port_groups_and_the_chip_at_their_limits() -> None:
    """Groups as in the notes of 8271H: ports C and D0-D4 together, B and D5-D7 together, for sourcing;
    for sinking C, B with D5-D7, and D0-D4 alone (from memory: the notes name the pins)."""
    five, six = (5, 6, 9, 10, 11), (5, 6, 7, 9, 10, 11)
    assert not [over for over in overloads(_pins(30.0, five)) if over.pin is None]
    group = [over for over in overloads(_pins(30.0, six)) if over.pin is None]
    assert [(over.where, over.limit_a) for over in group] == [("pins D5 to D13", 0.150)]
    assert group[0].current_a == pytest.approx(0.180)
    assert not [over for over in overloads(_pins(20.0, five, sinks=True)) if over.pin is None]
    sunk = [over for over in overloads(_pins(20.0, six, sinks=True)) if over.pin is None]
    assert [(over.where, over.limit_a) for over in sunk] == [("pins D5 to D13", 0.100)]
    # Ten pins spread over both groups keep each group's limit, and together the chip's just not.
    spread = (2, 3, 4, 14, 15, 5, 6, 7, 9, 10)
    assert [over.where for over in overloads(_pins(20.0, spread))] == []
    assert [over.where for over in overloads(_pins(20.2, spread)) if over.pin is None] == ["all pins"]


def test_usb_feeds_no_servo() -> None:
    """USB 2.0, 7.2.1: 500 mA, less than one micro servo's typical stall current of 1 A."""
    from sequencer.figure.build import TYPICAL_STALL_A

    assert electric.USB_A == 0.5
    assert min(TYPICAL_STALL_A) > electric.USB_A


def test_a_fuse_stands_between_the_show_and_the_supply() -> None:
    assert electric.fuse_for(9.1, 1.5, 12.0) == 5.0
    assert electric.fuse_for(9.1, 1.5, 4.0) is None
    assert electric.supply_for(9.1) == 10.0
    assert electric.supply_for(75.2) == 76
