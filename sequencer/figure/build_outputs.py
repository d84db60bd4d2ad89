"""Analog inputs, lamps on strings and the sound module: from a figure's tables to frozen values."""

from __future__ import annotations

from sequencer.figure.explain import Reporter
from sequencer.figure.model import Sensor
from sequencer.figure.parts import Parts
from sequencer.figure.schema_outputs import CurrentTable, VoltageTable

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
