"""What ``figure.toml`` may say of analog inputs, strings of addressable lamps and a sound module."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from sequencer.figure.schema_values import Name, Pin, Table

#: An unloaded 10-bit reading of 5 V has 4.9 mV a step: less than this an ampere is too coarse to guard with.
LEAST_MV_PER_A = 40.0


class CurrentTable(Table):
    """``[inputs.NAME]`` with ``kind = "current"``: a current sensor, and what the stall guard makes of it."""

    pin: Pin
    kind: Literal["current"]
    mv_per_a: float = Field(ge=LEAST_MV_PER_A, le=5000)
    offset_mv: float = Field(default=0.0, ge=0, le=5000)
    watches: Name = "supply"
    above_percent: float = Field(default=30.0, ge=5, le=500)
    above_a: float = Field(default=0.3, ge=0.02, le=20)
    for_ms: float = Field(default=200.0, ge=40, le=5000)
    limit_a: float | None = Field(default=None, gt=0, le=100)
    on_trip: Literal["hold", "finish", "tell"] = "hold"


class VoltageTable(Table):
    """``[inputs.NAME]`` with ``kind = "voltage"``: the servo supply through a divider."""

    pin: Pin
    kind: Literal["voltage"]
    mv_per_v: float = Field(ge=80, le=1000)


#: The analog kinds of ``[inputs.NAME]``.
SENSORS: dict[str, type[CurrentTable] | type[VoltageTable]] = {
    "current": CurrentTable,
    "voltage": VoltageTable,
}


class StringTable(Table):
    """``[strings.NAME]``: a string of addressable lamps on one wire; all of them show what a lamp shows."""

    pin: Pin
    leds: int = Field(ge=1, le=200)
    follows: Name
    colour: Annotated[str, Field(min_length=3, max_length=24)] = "white"
    order: Literal["grb", "rgb"] = "grb"
    led_ma: float = Field(default=60.0, gt=0, le=100)


class SoundTable(Table):
    """``[sound_module]``: a module that plays a numbered track when a scene begins to sound."""

    pin: Pin
    kind: Literal["pulse", "serial"] = "serial"
    tracks: dict[Name, Annotated[int, Field(ge=0, le=255)]]
    silence: int | None = Field(default=None, ge=0, le=255)
    lead_ms: float = Field(default=0.0, ge=0, le=5000)
    pulse_ms: float = Field(default=100.0, ge=20, le=5000)
    active_low: bool = False
    baud: Literal[4800, 9600] = 9600
    play: Annotated[str, Field(min_length=1, max_length=120)] = "{track}"
