"""Faults of analog inputs, strings and the sound module that only show beside the other tables."""

from __future__ import annotations

from sequencer.figure import colours
from sequencer.figure.build_outputs import SUPPLY, message
from sequencer.figure.explain import Reporter
from sequencer.figure.parts import Parts
from sequencer.figure.pins import PINS, pin_name
from sequencer.figure.schema_outputs import VoltageTable
from sequencer.figure.toml_lines import Path

#: A player's analog inputs (``QJ_MAX_SENSORS``).
MOST_SENSORS = 4
#: Strings and their lamps (``extra_strings``), and what they need: a frame's slots, cycles of a slot, between
#: two rises, and of one lamp (firmware_templates/avr/pulses.c, strings.c). SPARE is what a string cannot use
#: of the time between two edges: 700 for the pulse interrupt's lead and end and the writing's own, and 300
#: until the main loop comes by (with the line full the emulated boards need about so many).
MOST_STRINGS, MOST_LEDS = 4, 40
SLOTS, SLOT, QUIET, SPARE, LED = 6, 52_800, 1200, 1000, 520
#: The second compare output of the servo timer, by board.
SERIAL_PIN = {"uno": 10, "nano": 10, "mega": 12}


def check_sensors(parts: Parts, reporter: Reporter) -> None:
    """Analog inputs: their pins, their number, and the servos they name."""
    if len(parts.sensors) > MOST_SENSORS:
        reporter.add(
            ("inputs", list(parts.sensors)[MOST_SENSORS]),
            "there are more analog inputs than the player reads",
            value=str(len(parts.sensors)),
            limit=str(MOST_SENSORS),
            remedy="watch the supply instead of each servo",
        )
    volts = [name for name, table in parts.sensors.items() if isinstance(table, VoltageTable)]
    board = PINS[reporter.board]
    for name, table in parts.sensors.items():
        path = ("inputs", name)
        if not board.first_analog <= table.pin <= board.last:
            reporter.add(
                (*path, "pin"),
                f"pin {board.name(table.pin)} measures nothing",
                value=board.name(table.pin),
                limit=f"A0 to {board.name(board.last)}",
                remedy="move the wire to an analog pin and change `pin`",
            )
        if isinstance(table, VoltageTable):
            if name != volts[0]:
                reporter.add(path, "the supply's voltage is measured twice", remedy="keep one of them")
            most_v = 5000.0 / table.mv_per_v
            if parts.top is not None and parts.top.supply.voltage_v > most_v:
                reporter.add(
                    (*path, "mv_per_v"),
                    "the supply would put more than 5 V on the pin",
                    value=f"{table.mv_per_v * parts.top.supply.voltage_v / 1000.0:.3g} V",
                    limit="5 V",
                    remedy=f"choose a divider of {4500.0 / parts.top.supply.voltage_v:.0f} mV a volt or less",
                )
        elif table.watches != SUPPLY and table.watches not in parts.servo_names:
            reporter.unknown_name((*path, "watches"), "servo", table.watches, [SUPPLY, *parts.servo_names])


def most_leds(servos: int) -> int:
    """How many lamps of a string fit between the pulses' edges in any case.

    The slot with the fewest servos has n of them, so its time is parted in n + 1 by edges, and the longest
    part is never shorter than the mean. The receiver's ring sets the other limit.
    """
    each = servos // SLOTS
    longest = (SLOT - QUIET * each) // (each + 1)
    return min(MOST_LEDS, (longest - SPARE) // LED)


def check_lamps(parts: Parts, reporter: Reporter) -> None:
    """One pin, three, or none with a string that follows; colours that there are."""
    followed = {table.follows for table in parts.strings.values()}
    for name, lamp in parts.lamps.items():
        path = ("lamps", name)
        three = [pin for pin in (lamp.red_pin, lamp.green_pin, lamp.blue_pin) if pin is not None]
        if (lamp.pin is not None and three) or len(three) not in (0, 3):
            reporter.add(
                path,
                "a lamp has one `pin`, or three: `red_pin`, `green_pin`, `blue_pin`",
                remedy="write the one or the three",
            )
        elif lamp.pin is None and not three and name not in followed:
            reporter.add(
                path,
                "the lamp has no pin, and no string follows it",
                remedy=f'write `pin = ...`, or a string with follows = "{name}"',
            )
        _colour((*path, "colour"), lamp.colour, reporter)


def _colour(path: Path, text: str, reporter: Reporter) -> None:
    try:
        colours.colour(text)
    except ValueError:
        reporter.add(
            path,
            "there is no such colour",
            value=text,
            remedy=f'use one of {", ".join(colours.WORDS)}, or six digits like "#ff8c1a"',
        )


def check_strings(parts: Parts, reporter: Reporter) -> None:
    """Strings: lamps that they follow, and counts that fit between the servos' pulses."""
    fits = most_leds(len(parts.servos))
    if len(parts.strings) > MOST_STRINGS:
        reporter.add(
            ("strings",),
            "too many strings",
            value=str(len(parts.strings)),
            limit=str(MOST_STRINGS),
            remedy="join some of them",
        )
    for name, table in parts.strings.items():
        path = ("strings", name)
        if table.follows not in parts.lamps:
            reporter.unknown_name((*path, "follows"), "lamp", table.follows, list(parts.lamps))
        if table.leds > fits:
            reporter.add(
                (*path, "leds"),
                f"so many lamps cannot be written between the pulses of {len(parts.servos)} servos",
                value=str(table.leds),
                limit=str(fits),
                remedy=f"use {fits} or fewer, or split the string over two pins",
            )
        _colour((*path, "colour"), table.colour, reporter)


def check_sound(parts: Parts, reporter: Reporter) -> None:
    """The sound module: its message, and the pin that can write bits to the cycle."""
    if parts.top is None or parts.top.sound_module is None:
        return
    table, kind = parts.top.sound_module, parts.top.board.kind
    try:
        message(table.play)
    except ValueError as error:
        reporter.add(
            ("sound_module", "play"),
            f"is no message: {error}",
            value=table.play,
            remedy='write bytes in hexadecimal and {track}, like "7E 03 {track} EF"',
        )
    if table.silence is not None and "{track}" not in table.play.split():
        reporter.add(
            ("sound_module", "silence"),
            "the message names no track, so a stop cannot ask for this one",
            value=table.silence,
            remedy="write {track} where its number goes in play, or leave silence out",
        )
    if table.silence is not None and table.kind == "pulse":
        reporter.add(
            ("sound_module", "silence"),
            "a module that a pulse starts knows no tracks: nothing can ask it for this one",
            value=table.silence,
            remedy='leave silence out, or use a serial module (kind = "serial")',
        )
    if table.kind == "serial" and table.pin != SERIAL_PIN[kind]:
        reporter.add(
            ("sound_module", "pin"),
            "only one pin can send serial bytes beside the pulses",
            value=pin_name(table.pin, kind),
            limit=pin_name(SERIAL_PIN[kind], kind),
            remedy="move the wire there, or use a module that starts by a pulse",
        )
