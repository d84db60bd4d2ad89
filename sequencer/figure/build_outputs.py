"""Analog inputs, lamps on strings and the sound module: from a figure's tables to frozen values."""

from __future__ import annotations

from sequencer.figure.colours import colour
from sequencer.figure.explain import Reporter
from sequencer.figure.model import NO_PIN, LedString, Sensor, SoundModule
from sequencer.figure.parts import Parts
from sequencer.figure.schema import LampTable
from sequencer.figure.schema_outputs import CurrentTable, SoundTable, StringTable, VoltageTable

#: What a current sensor watches when it names no servo.
SUPPLY = "supply"


def sensor(name: str, table: CurrentTable | VoltageTable, parts: Parts, reporter: Reporter) -> Sensor:
    """An analog input. Without ``limit_a`` the supply's ceiling is its rating; a servo has none."""
    line = reporter.line(("inputs", name))
    if isinstance(table, VoltageTable):
        return Sensor(name, "voltage", table.pin, table.mv_per_v, line=line)
    rail = table.watches == SUPPLY
    rating = parts.top.supply.rating_a if rail and parts.top is not None else None
    return Sensor(
        name=name,
        kind="current",
        pin=table.pin,
        mv_per_unit=table.mv_per_a,
        offset_mv=table.offset_mv,
        watches=None if rail else table.watches,
        above_share=table.above_percent / 100.0,
        above_a=table.above_a,
        for_s=table.for_ms / 1000.0,
        limit_a=rating if table.limit_a is None else table.limit_a,
        on_trip=table.on_trip,
        line=line,
    )


def pins(lamp: LampTable) -> tuple[int, ...]:
    """One pin, or those of red, green and blue; a lamp without pins has three colours and none of its own."""
    if lamp.pin is not None:
        return (lamp.pin,)
    three = (lamp.red_pin, lamp.green_pin, lamp.blue_pin)
    return tuple(NO_PIN if pin is None else pin for pin in three)


def string(name: str, table: StringTable, reporter: Reporter) -> LedString:
    """A string of addressable lamps."""
    return LedString(
        name=name,
        pin=table.pin,
        leds=table.leds,
        follows=table.follows,
        colour=colour(table.colour),
        order=table.order,
        led_a=table.led_ma / 1000.0,
        line=reporter.line(("strings", name)),
    )


def message(play: str) -> tuple[bytes, int | None]:
    """``7E 03 {track} EF`` to bytes and the place of the track's number.

    Raises ValueError: what is neither a byte in hexadecimal nor ``{track}``, twice ``{track}``, or too long.
    """
    words = play.split()
    if words.count("{track}") > 1 or not 0 < len(words) <= 32:
        raise ValueError("one {track} and at most 32 bytes")
    if any(word != "{track}" and len(word) != 2 for word in words):
        raise ValueError("a byte has two digits")
    place = words.index("{track}") if "{track}" in words else None
    return bytes(0 if word == "{track}" else int(word, 16) for word in words), place


def sound(table: SoundTable | None, reporter: Reporter) -> SoundModule | None:
    """The sound module, when there is one."""
    if table is None:
        return None
    said, place = message(table.play)
    return SoundModule(
        pin=table.pin,
        kind=table.kind,
        tracks=dict(table.tracks),
        lead_s=table.lead_ms / 1000.0,
        pulse_s=table.pulse_ms / 1000.0,
        active_low=table.active_low,
        baud=table.baud,
        message=said if table.kind == "serial" else b"",
        place=place if table.kind == "serial" else None,
        silence=table.silence,
        line=reporter.line(("sound_module",)),
    )
