"""What ``figure.toml`` may say: every key with its unit in its name, and the range a real part can have.

The bounds catch slips of the decimal point and of the unit, not bad taste: they are wide.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PlainValidator,
    PrivateAttr,
    model_validator,
)
from pydantic_core import PydanticCustomError

from sequencer.figure import catalogue

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


class LineTable(Table):
    """``low_line``: the datasheet's second line, at a lower voltage."""

    at_v: float = Field(ge=3, le=30)
    speed_s_per_60deg: float = Field(ge=0.02, le=5)
    stall_kgcm: float = Field(ge=0.1, le=1000)


class ServoTable(Table):
    """``[servos.NAME]``: the datasheet line and how the servo is built in.

    ``class`` fills in what the file does not say; ``typical`` names those keys.
    """

    pin: Pin
    servo_class: catalogue.ClassName | None = Field(default=None, alias="class")
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
    low_line: LineTable | None = None
    continuous_percent: float | None = Field(default=None, ge=1, le=100)
    weight_g: float | None = Field(default=None, gt=0, le=5000)
    _typical: frozenset[str] = PrivateAttr(default=frozenset())

    @model_validator(mode="wrap")
    @classmethod
    def _from_class(cls, data: Any, handler: ModelWrapValidatorHandler[ServoTable]) -> ServoTable:
        filled, typical = catalogue.filled(data) if isinstance(data, dict) else (data, frozenset[str]())
        table = handler(filled)
        table._typical = typical
        return table

    @property
    def typical(self) -> frozenset[str]:
        """The keys whose values are the class's."""
        return self._typical


class DriveTable(Table):
    """``drive``: the servo's angle is ``ratio`` times the axis's, or a linkage stands between."""

    servo: Name | None = None
    ratio: float = Field(default=1.0, ge=0.05, le=20)
    linkage: Name | None = None


class SpringTable(Table):
    """``spring``: torque at an angle, toward positive angles, and what a degree takes off it."""

    torque_kgcm: float = Field(ge=-1000, le=1000)
    at_deg: Angle = 0.0
    rate_kgcm_per_deg: float = Field(default=0.0, ge=0, le=100)


class CounterweightTable(Table):
    """``counterweight``: a compact lump of steel that the axis carries."""

    weight_g: float = Field(gt=0, le=100000)
    at_mm: Point


class LinkageTable(Table):
    """``[linkages.NAME]``: what every kind says."""


class FourBarTable(LinkageTable):
    """A crank on the servo, a coupler, a rocker on the axis."""

    kind: Literal["fourbar"]
    servo: Name
    crank_mm: Length
    coupler_mm: Length
    rocker_mm: Length
    ground_mm: Length
    crank_deg: Angle = 90.0
    crossed: bool = False
    inverted: bool = False


class CrankTable(Table):
    """``left`` or ``right`` of a pair: a crank in an upright plane, and the rod to the head."""

    servo: Name
    axle_mm: Point
    plane_deg: Angle
    crank_mm: Length
    crank_deg: Angle = 0.0
    rod_mm: Length
    joint_mm: Point


class PairTable(LinkageTable):
    """Two cranks with rods and ball joints that move two axes together."""

    kind: Literal["pair"]
    axes: Annotated[list[Name], Field(min_length=2, max_length=2)]
    left: CrankTable
    right: CrankTable


#: Kind -> the table that describes it.
LINKAGES: dict[str, type[LinkageTable]] = {"fourbar": FourBarTable, "pair": PairTable}


class ClearanceTable(Table):
    """``[clearances.NAME]``: while ``when`` is beyond an angle, ``axis`` keeps to its own."""

    axis: Name
    at_most_deg: Angle | None = None
    at_least_deg: Angle | None = None
    when: Name
    above_deg: Angle | None = None
    below_deg: Angle | None = None


class PullsTable(Table):
    """``pulls``: a luggage scale that just moves the joint, toward its first word and its second.

    A negative pull had to be held back: the joint falls that way by itself.
    """

    pull_g: Annotated[list[Annotated[float, Field(ge=-50000, le=50000)]], Field(min_length=2, max_length=2)]
    pull_at_mm: Length


class WobbleTable(Table):
    """``wobble``: a tap, filmed; ``frames`` for ``swings`` whole swings, the amplitude at both ends."""

    frames: float = Field(gt=0, le=100000)
    fps: float = Field(ge=10, le=2000)
    swings: float = Field(gt=0, le=1000)
    amplitudes_mm: Annotated[list[Length], Field(min_length=2, max_length=2)] | None = None


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
    drag_kgcm: float | None = Field(default=None, ge=0, le=500)
    spring: SpringTable | None = None
    counterweight: CounterweightTable | None = None
    pulls: PullsTable | None = None
    wobble: WobbleTable | None = None
    torque_aware: bool = False


Weight = Annotated[float, Field(gt=0, le=100000)]


class SwingTable(Table):
    """One of ``swings``: ten whole swings, hung from one line, or twisted on two threads."""

    about: Side
    ten_swings_s: float = Field(gt=0, le=600)
    hung_from_mm: Length | None = None
    threads_apart_mm: Length | None = None
    thread_mm: Length | None = None
    swing_deg: float = Field(default=0.0, ge=0, le=80)


class BalanceTable(Table):
    """``balance_mm``: where the part balances, toward each side that was tried, from the figure's origin."""

    up: float | None = Field(default=None, ge=-5000, le=5000)
    down: float | None = Field(default=None, ge=-5000, le=5000)
    left: float | None = Field(default=None, ge=-5000, le=5000)
    right: float | None = Field(default=None, ge=-5000, le=5000)
    forward: float | None = Field(default=None, ge=-5000, le=5000)
    back: float | None = Field(default=None, ge=-5000, le=5000)


class MassTable(Table):
    """What every mass may say; readings go before what its shape would give."""

    carried_by: Name
    basis: Literal["measured", "datasheet", "typical", "guess"] = "guess"
    balance_mm: BalanceTable | None = None
    swings: list[SwingTable] = []


class ShapeTable(MassTable):
    """A shape that a ruler can measure: its weight and the place of its middle."""

    weight_g: Weight
    at_mm: Point


class ReadingsTable(MassTable):
    """A part of no simple shape, known by readings; ``at_mm`` is where it balances."""

    shape: Literal["readings"]
    weight_g: Weight
    at_mm: Point | None = None
    size_mm: Size | None = None
    middle_mm: Point | None = None


class StlTable(MassTable):
    """A mesh; ``at_mm`` is where the file's own origin stands in the figure."""

    shape: Literal["stl"]
    file: str = Field(min_length=1, max_length=200)
    units: Literal["mm", "cm", "m", "inch"] = "mm"
    at_mm: Point = [0.0, 0.0, 0.0]
    turned_deg: Annotated[list[Angle], Field(min_length=3, max_length=3)] = [0.0, 0.0, 0.0]
    wall_mm: Length | None = None
    infill_percent: float | None = Field(default=None, ge=0, le=100)
    density_g_cm3: float | None = Field(default=None, ge=0.01, le=25)
    weight_g: Weight | None = None


class BoxTable(ShapeTable):
    """A solid box."""

    shape: Literal["box"]
    size_mm: Size


class SphereTable(ShapeTable):
    """A solid ball."""

    shape: Literal["sphere"]
    diameter_mm: Length


class HollowSphereTable(ShapeTable):
    """A ball with a hole in it."""

    shape: Literal["hollow_sphere"]
    outer_diameter_mm: Length
    inner_diameter_mm: float = Field(ge=0, le=5000)


class EllipsoidTable(ShapeTable):
    """A solid ellipsoid; ``size_mm`` are its three whole lengths."""

    shape: Literal["ellipsoid"]
    size_mm: Size


class CylinderTable(ShapeTable):
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
    "readings": ReadingsTable,
    "stl": StlTable,
}


class LampTable(Table):
    """``[lamps.NAME]``: a dimmable light; percents are of perceived lightness."""

    pin: Pin
    rest_percent: float = Field(default=0.0, ge=0, le=100)
    active_low: bool = False
    current_ma: float = Field(default=20.0, gt=0, le=20000)
    supply_v: float | None = Field(default=None, ge=1, le=60)
    forward_v: float | None = Field(default=None, gt=0, le=60)
    through: Literal["pin", "transistor"] = "pin"


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
    fuse_a: float | None = Field(default=None, gt=0, le=200)
    wire_awg: Literal[16, 18, 20, 22, 24] | None = None
    wire_m: float | None = Field(default=None, gt=0, le=100)


class OpeningTable(Table):
    """``[openings.NAME]``: a gap that a body part could get into, at its narrowest."""

    gap_mm: float = Field(ge=0, le=5000)
    part: Literal["finger", "hand", "arm", "head", "body"] = "finger"


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
