"""The tables of a figure file that are right by themselves, before they are checked together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.figure.schema import (
    AxisTable,
    InputTable,
    LampTable,
    OpeningTable,
    ServoTable,
    SwitchTable,
    TopTable,
)
from sequencer.figure.schema_i2c import ExpanderTable
from sequencer.figure.schema_linkages import ClearanceTable, LinkageTable
from sequencer.figure.schema_masses import MassTable
from sequencer.figure.schema_outputs import CurrentTable, StringTable, VoltageTable


@dataclass(frozen=True)
class Parts:
    """What could be read. ``*_names`` also hold the tables that have faults of their own."""

    top: TopTable | None
    servos: Mapping[str, ServoTable]
    axes: Mapping[str, AxisTable]
    masses: Mapping[str, MassTable]
    lamps: Mapping[str, LampTable]
    switches: Mapping[str, SwitchTable]
    inputs: Mapping[str, InputTable]
    sensors: Mapping[str, CurrentTable | VoltageTable]
    strings: Mapping[str, StringTable]
    openings: Mapping[str, OpeningTable]
    expanders: Mapping[str, ExpanderTable]
    linkages: Mapping[str, LinkageTable]
    clearances: Mapping[str, ClearanceTable]
    poses: Mapping[str, Mapping[str, float]]
    servo_names: tuple[str, ...]
    axis_names: tuple[str, ...]
    linkage_names: tuple[str, ...]
    expander_names: tuple[str, ...]
