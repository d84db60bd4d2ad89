"""What ``figure.toml`` may say: every key with its unit in its name, and the range a real part can have.

The bounds catch slips of the decimal point and of the unit, not bad taste: they are wide.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator
from pydantic_core import PydanticCustomError

#: Names are used in scenes, file names and C identifiers.
NAME_PATTERN = r"^[a-z][a-z0-9_]{0,23}$"
#: The player sends 50 pulses a second to every servo.
FRAME_HZ = 50.0
#: The shortest and longest pulse that any hobby servo is given.
PULSE_US = (400.0, 2600.0)


def _pin(value: Any) -> Any:
    """``7``, ``"D7"`` or ``"A0"`` (= 14) to the board's pin number."""
    if isinstance(value, str):
        text = value.strip().upper()
        if text[:1] in ("D", "A") and text[1:].isascii() and text[1:].isdigit() and len(text) <= 4:
            return int(text[1:]) + (14 if text[0] == "A" else 0)
        raise PydanticCustomError("pin_text", 'a pin is written 7, "D7" or "A0"')
    return value


#: Unit vectors of the words for a side: x forward, y to the figure's left, z up.
SIDES: dict[str, tuple[float, float, float]] = {
    "up": (0.0, 0.0, 1.0),
    "down": (0.0, 0.0, -1.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "forward": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
}


def _direction(value: Any) -> tuple[float, float, float]:
    """A side's word or three numbers to a unit vector."""
    if isinstance(value, str) and value in SIDES:
        return SIDES[value]
    if isinstance(value, list) and len(value) == 3:
        numbers = [
            float(item)
            for item in value
            if isinstance(item, (int, float)) and not isinstance(item, bool) and abs(item) <= 1000
        ]
        length = math.sqrt(sum(number * number for number in numbers))
        if len(numbers) == 3 and length > 1e-6:
            return numbers[0] / length, numbers[1] / length, numbers[2] / length
    raise PydanticCustomError("direction", "is no direction")


Pin = Annotated[int, BeforeValidator(_pin), Field(ge=0, le=19)]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
PulsePair = Annotated[
    list[Annotated[float, Field(ge=PULSE_US[0], le=PULSE_US[1])]], Field(min_length=2, max_length=2)
]
AnglePair = Annotated[list[Annotated[float, Field(ge=-360, le=360)]], Field(min_length=2, max_length=2)]
Angle = Annotated[float, Field(ge=-360, le=360)]
Point = Annotated[list[Annotated[float, Field(ge=-5000, le=5000)]], Field(min_length=3, max_length=3)]
Length = Annotated[float, Field(gt=0, le=5000)]
Size = Annotated[list[Length], Field(min_length=3, max_length=3)]
Direction = Annotated[tuple[float, float, float], PlainValidator(_direction)]
Name = Annotated[str, Field(min_length=1, max_length=24)]
Side = Literal["up", "down", "left", "right", "forward", "back"]


class Table(BaseModel):
    """A table of the file: unknown keys are errors, nothing is converted silently."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class ServoTable(Table):
    """``[servos.NAME]``: the datasheet line and how the servo is built in."""

    pin: Pin
    speed_s_per_60deg: float = Field(ge=0.02, le=5)
    stall_kgcm: float = Field(ge=0.1, le=1000)
    at_v: float = Field(ge=3, le=30)
    pulse_us: PulsePair
    travel_deg: float = Field(ge=10, le=360)
    stall_a: float | None = Field(default=None, gt=0, le=50)
    frame_hz: float = Field(default=FRAME_HZ, ge=FRAME_HZ, le=FRAME_HZ)
    centre_us: float | None = Field(default=None, ge=PULSE_US[0], le=PULSE_US[1])
    reversed: bool = False
    ends_us: PulsePair | None = None
    speed_derating: float | None = Field(default=None, ge=0.1, le=1)
    torque_derating: float | None = Field(default=None, ge=0.1, le=1)


class DriveTable(Table):
    """``drive``: the servo's angle is ``ratio`` times the axis's."""

    servo: Name
    ratio: float = Field(default=1.0, ge=0.05, le=20)


class AxisTable(Table):
    """``[axes.NAME]``: what scenes move."""

    range_deg: AnglePair
    home_deg: Angle = 0.0
    parked_deg: Angle | None = None
    words: Annotated[list[Annotated[str, Field(pattern=NAME_PATTERN)]], Field(min_length=2, max_length=2)]
    drive: DriveTable
    turns_about: Direction
    pivot_mm: Point = [0.0, 0.0, 0.0]
    carried_by: Name | None = None
    friction_kgcm: float | None = Field(default=None, ge=0, le=500)
    ramp_s: float | None = Field(default=None, ge=0.06, le=5)
    knot_ms: Literal[20, 40, 60, 120] | None = None


class MassTable(Table):
    """What every mass says; each shape adds its sizes."""

    weight_g: float = Field(gt=0, le=100000)
    at_mm: Point
    carried_by: Name
    basis: Literal["measured", "datasheet", "typical", "guess"] = "guess"


class BoxTable(MassTable):
    """A solid box."""

    shape: Literal["box"]
    size_mm: Size


class SphereTable(MassTable):
    """A solid ball."""

    shape: Literal["sphere"]
    diameter_mm: Length


class HollowSphereTable(MassTable):
    """A ball with a hole in it."""

    shape: Literal["hollow_sphere"]
    outer_diameter_mm: Length
    inner_diameter_mm: float = Field(ge=0, le=5000)


class EllipsoidTable(MassTable):
    """A solid ellipsoid; ``size_mm`` are its three whole lengths."""

    shape: Literal["ellipsoid"]
    size_mm: Size


class CylinderTable(MassTable):
    """A solid cylinder or rod."""

    shape: Literal["cylinder"]
    diameter_mm: Length
    length_mm: Length
    along: Side = "up"


#: Shape -> the table that describes it.
SHAPES: dict[str, type[MassTable]] = {
    "box": BoxTable,
    "sphere": SphereTable,
    "hollow_sphere": HollowSphereTable,
    "ellipsoid": EllipsoidTable,
    "cylinder": CylinderTable,
}


class LampTable(Table):
    """``[lamps.NAME]``: a dimmable light; percents are of perceived lightness."""

    pin: Pin
    rest_percent: float = Field(default=0.0, ge=0, le=100)
    active_low: bool = False
    current_ma: float = Field(default=20.0, gt=0, le=20000)


class SwitchTable(Table):
    """``[switches.NAME]``: a relay, an air valve; it acts ``lead_ms`` after it is set."""

    pin: Pin
    lead_ms: float = Field(default=0.0, ge=0, le=2000)
    strike_ms: float = Field(default=120.0, ge=20, le=5000)
    max_on_s: float | None = Field(default=None, ge=0.02, le=1200)
    active_low: bool = False


class InputTable(Table):
    """``[inputs.NAME]``: a pin the board watches."""

    pin: Pin
    kind: Literal["trigger"] = "trigger"
    active_low: bool = True
    pull_up: bool = True
    debounce_ms: float = Field(default=30.0, ge=0, le=800)


class SupplyTable(Table):
    """``[supply]``: the servo supply."""

    voltage_v: float = Field(ge=3, le=30)
    rating_a: float = Field(gt=0, le=200)


class BoardTable(Table):
    """``[board]``: which board plays the show."""

    kind: Literal["uno"]
    clock_error_percent: float = Field(default=1.0, ge=0, le=5)


class TopTable(Table):
    """The keys outside any table, and the tables there can be once."""

    name: str = Field(min_length=1, max_length=40)
    ambient_c: float = Field(default=25.0, ge=-30, le=80)
    supply: SupplyTable
    board: BoardTable
