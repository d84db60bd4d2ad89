"""Resistors, wire, fuses and what the controller's pins may carry: pure arithmetic on volts and amperes.

Sources: IEC 60063 (E12, E24); resistance of copper wire at 20 C by American wire gauge (handbook);
ATmega328P datasheet (Atmel 8271), DC characteristics and absolute maximum ratings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Series = Literal["E12", "E24"]

#: Preferred values of one decade (IEC 60063).
E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = tuple(sorted((*E12, 11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91)))
_SERIES: dict[Series, tuple[int, ...]] = {"E12": E12, "E24": E24}
#: Power ratings of resistors that shops carry, watts; one is loaded to half of it (common practice).
RESISTOR_W = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0)
#: Ohms a metre of solid copper at 20 C, by American wire gauge (handbook).
OHM_PER_M = {24: 0.0842, 22: 0.05296, 20: 0.03331, 18: 0.02095, 16: 0.01317}
#: What single wires in free air carry for long, amperes (common practice for short runs in machines).
WIRE_A = {24: 3.5, 22: 7.0, 20: 11.0, 18: 16.0, 16: 22.0}
#: Blade and glass fuses that shops carry, amperes.
FUSES_A = (1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
#: Supplies that shops carry, amperes.
SUPPLIES_A = (1.0, 2.0, 3.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 60.0)
#: A wire may lose this share of the supply's voltage before servos notice (rule of thumb).
DROP_SHARE = 0.05

#: What a pin is tested with, and what destroys it, amperes (8271H p. 300-301).
PIN_TEST_A = 0.020
PIN_MAX_A = 0.040
#: What the chip's supply pins together may carry, amperes (absolute maximum).
CHIP_MAX_A = 0.200
#: What a group of ports may give or take, amperes (notes under the DC characteristics).
SOURCE_GROUP_A = 0.150
SINK_GROUP_A = 0.100
#: The board's own voltage, which a pin gives.
PIN_V = 5.0
#: A USB 2.0 port gives this much to a device that asked for it, amperes (USB 2.0, 7.2.1).
USB_A = 0.5

_D0_D4 = frozenset(range(0, 5))
_D5_D13 = frozenset(range(5, 14))
_A0_A5 = frozenset(range(14, 20))
#: The groups of pins that share a limit, in the board's numbers (PD0-4; PD5-7 and PB0-5; PC0-5).
SOURCE_GROUPS = (("D0 to D4 and A0 to A5", _D0_D4 | _A0_A5), ("D5 to D13", _D5_D13))
SINK_GROUPS = (("A0 to A5", _A0_A5), ("D5 to D13", _D5_D13), ("D0 to D4", _D0_D4))
#: Of the Mega: PE0-7 and PG5; PF0-7 and PK0-7, 100 mA each, given or taken (ATmega2560 datasheet, Microchip
#: 2549, notes under its DC characteristics, from memory). Its other groups have as much as the whole chip.
MEGA_GROUPS = (
    ("D0 to D5", frozenset(range(0, 6))),
    ("A0 to A15", frozenset(range(54, 70))),
)
MEGA_GROUP_A = 0.100

# 150 ohm must not become 180 because 3/0.02 is not exactly 150.
_ROUNDING = 1e-9


def standard_resistor(ohm: float, series: Series = "E12") -> float:
    """The preferred value that is not below ``ohm`` (> 0).

    Raises ValueError when ``ohm`` is not a positive number.
    """
    if not (ohm > 0.0 and math.isfinite(ohm)):
        raise ValueError("a resistance must be a positive number")
    decade = 10.0 ** math.floor(math.log10(ohm) - 1.0)
    for scale in (decade, 10.0 * decade):
        for value in _SERIES[series]:
            if value * scale >= ohm * (1.0 - _ROUNDING):
                # Values of whole ohms are whole numbers; below, as many digits as the series has.
                return round(value * scale, 9)
    return round(100.0 * decade, 9)


@dataclass(frozen=True)
class SeriesResistor:
    """A lamp's resistor: what the sum says, what to buy, the current that flows then, its heat."""

    exact_ohm: float
    ohm: float
    current_a: float
    power_w: float
    rating_w: float


def led_resistor(
    supply_v: float, forward_v: float, current_a: float, series: Series = "E12"
) -> SeriesResistor:
    """The resistor for a light-emitting diode: R = (Vs - sum Vf) / I, the next preferred value up.

    ``forward_v`` is the sum over the diodes in series. The power rating is at least twice the heat.
    Raises ValueError when the supply is not above the forward voltage or the current not positive.
    """
    if supply_v <= forward_v or current_a <= 0.0:
        raise ValueError("the supply must be above the forward voltage and the current positive")
    exact = (supply_v - forward_v) / current_a
    ohm = standard_resistor(exact, series)
    flows = (supply_v - forward_v) / ohm
    power = flows * flows * ohm
    rating = next((size for size in RESISTOR_W if size >= 2.0 * power), RESISTOR_W[-1])
    return SeriesResistor(exact, ohm, flows, power, rating)


def voltage_drop_v(awg: int, one_way_m: float, current_a: float) -> float:
    """What a run there and back loses: 2 * length * resistance * current. KeyError: not in the table."""
    return 2.0 * one_way_m * OHM_PER_M[awg] * current_a


def longest_run_m(awg: int, current_a: float, drop_v: float) -> float:
    """The longest one-way run that loses no more than ``drop_v``, metres."""
    return drop_v / (2.0 * OHM_PER_M[awg] * current_a)


def wire_for(one_way_m: float, current_a: float, drop_v: float, carries_a: float = 0.0) -> int | None:
    """The thinnest gauge of the table that loses at most ``drop_v`` and carries ``carries_a`` for long.

    None when none does: run several wires, or bring the supply nearer.
    """
    for awg in OHM_PER_M:
        if voltage_drop_v(awg, one_way_m, current_a) <= drop_v and WIRE_A[awg] >= carries_a:
            return awg
    return None


def fuse_for(peak_a: float, average_a: float, rating_a: float) -> float | None:
    """A fuse that survives the show and blows before the supply gives up; None when there is none.

    The smallest that carries half of the peak (a slow fuse bears short peaks of twice its number) and
    one and a half times the average, within what the supply gives.
    """
    wanted = max(peak_a / 2.0, 1.5 * average_a)
    fuse = next((size for size in FUSES_A if size >= wanted), None)
    return fuse if fuse is not None and fuse <= rating_a else None


def supply_for(peak_a: float) -> float:
    """The smallest usual supply that gives ``peak_a``; beyond the list, the next whole ampere."""
    return next((size for size in SUPPLIES_A if size >= peak_a), math.ceil(peak_a))


@dataclass(frozen=True)
class PinLoad:
    """What hangs on one pin: the current it gives (``sinks`` false) or takes."""

    name: str
    pin: int
    current_a: float
    sinks: bool


@dataclass(frozen=True)
class Overload:
    """More than a part of the chip may carry; ``pin`` is None for a group or the whole chip.

    ``breaks`` is false when the number is only the tested condition. ``loads`` are those that add up.
    """

    where: str
    pin: int | None
    current_a: float
    limit_a: float
    breaks: bool
    loads: tuple[PinLoad, ...]


def overloads(loads: Iterable[PinLoad], board: str = "uno") -> list[Overload]:
    """Every pin, port group and the chip as a whole that carries more than the datasheet allows."""
    mega = board == "mega"
    every = tuple(loads)
    found: list[Overload] = []
    for load in every:
        if load.current_a > PIN_MAX_A + _ROUNDING:
            found.append(Overload("pin", load.pin, load.current_a, PIN_MAX_A, True, (load,)))
        elif load.current_a > PIN_TEST_A + _ROUNDING:
            found.append(Overload("pin", load.pin, load.current_a, PIN_TEST_A, False, (load,)))
    for sinks, groups, limit in (
        (False, MEGA_GROUPS if mega else SOURCE_GROUPS, MEGA_GROUP_A if mega else SOURCE_GROUP_A),
        (True, MEGA_GROUPS if mega else SINK_GROUPS, MEGA_GROUP_A if mega else SINK_GROUP_A),
    ):
        for words, pins in groups:
            group = tuple(load for load in every if load.sinks == sinks and load.pin in pins)
            total = math.fsum(load.current_a for load in group)
            if total > limit + _ROUNDING:
                found.append(Overload(f"pins {words}", None, total, limit, True, group))
    total = math.fsum(load.current_a for load in every)
    if total > CHIP_MAX_A + _ROUNDING:
        found.append(Overload("all pins", None, total, CHIP_MAX_A, True, every))
    return found
