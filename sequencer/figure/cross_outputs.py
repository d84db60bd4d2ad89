"""Faults of analog inputs, strings and the sound module that only show beside the other tables."""

from __future__ import annotations

from sequencer.figure.build_outputs import SUPPLY
from sequencer.figure.explain import Reporter
from sequencer.figure.parts import Parts
from sequencer.figure.pins import PINS
from sequencer.figure.schema_outputs import VoltageTable

#: A player's analog inputs (``QJ_MAX_SENSORS``).
MOST_SENSORS = 4


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
