"""Boards' pins against Debian's Arduino core: the same names, ports, bits and PWM outputs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.figure.pins import KINDS, PINS
from sequencer.firmware.boards import board_description, prebuilt_player

VARIANTS = Path("/usr/share/arduino/hardware/arduino/avr/variants")
CHIP_H = Path(__file__).resolve().parents[2] / "firmware_templates" / "avr" / "chip.h"
CHIPS = {"uno": "__AVR_ATmega328P__", "mega": "__AVR_ATmega2560__"}
PORTS = {"uno": "BCD", "mega": "ABCDEFGHJKL"}


def table(variant: str, name: str, item: str) -> list[str]:
    """What stands between the braces of one of the core's tables, a pin an item."""
    text = (VARIANTS / variant / "pins_arduino.h").read_text()
    found = re.search(rf"{name}\[\] = \{{(.*?)\}};", text, re.DOTALL)
    assert found
    for_this_chip = re.sub(r"#if defined\(__AVR_ATmega8__\).*?#else", "", found[1], flags=re.DOTALL)
    return re.findall(item, re.sub(r"//.*", "", for_this_chip))


def place(kind: str, port: str, bit: int) -> int:
    """chip.h's byte, as its comments say it."""
    number = PORTS[kind].index(port)
    return (3 * number << 4 | 8 | bit) if kind == "uno" else (number + 1) << 3 | bit


@pytest.mark.parametrize("kind", ["uno", "mega"])
def test_the_player_reaches_the_pins_that_the_core_names(kind: str) -> None:
    variant = board_description(kind).variant
    ports = table(variant, "digital_pin_to_port_PGM", r"\bP([A-L])\b")
    bits = table(variant, "digital_pin_to_bit_mask_PGM", r"_BV\(\s*(\d)\s*\)")
    text = CHIP_H.read_text().split(CHIPS[kind])[1].split("CHIP_PLACES")[1].split("#define")[0]
    here = re.findall(r"NO_PLACE|0x[0-9A-F]+", re.sub(r"/\*.*?\*/", "", text))
    assert len(here) == len(ports) == len(bits) == PINS[kind].last + 1
    for pin, (told, port, bit) in enumerate(zip(here, ports, bits, strict=True)):
        if pin in PINS[kind].usable:
            assert int(told, 16) == place(kind, port, int(bit)), pin
        else:
            assert told == "NO_PLACE", pin


@pytest.mark.parametrize("kind", KINDS)
def test_lamps_are_on_outputs_of_a_timer(kind: str) -> None:
    variant = board_description(kind).variant
    if kind == "nano":  # its header includes the Uno's
        variant = "standard"
    timers = table(variant, "digital_pin_to_timer_PGM", r"\b(NOT_ON_TIMER|TIMER\w+)\b")
    for pin in PINS[kind].lamps:
        assert timers[pin] != "NOT_ON_TIMER"
        assert not timers[pin].startswith("TIMER1"), "Timer1 makes the servos' pulses"


@pytest.mark.parametrize("kind", KINDS)
def test_the_player_has_room_for_what_the_board_is_said_to_serve(kind: str) -> None:
    facts = prebuilt_player(kind).facts
    counts = PINS[kind].counts
    assert counts["servos"] <= facts["tracks"]
    assert all(counts[what] <= facts[what] for what in ("lamps", "switches", "inputs"))


def test_an_analog_pin_has_the_number_that_the_board_gives_it() -> None:
    """analogInputToDigitalPin of the core's variants."""
    for kind, first in (("uno", 14), ("nano", 14), ("mega", 54)):
        assert PINS[kind].number("a0") == first
        assert PINS[kind].name(first + 5) == "A5"
    assert PINS["uno"].number("B3") is None
