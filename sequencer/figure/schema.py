"""What ``figure.toml`` may say: every key with its unit in its name, and the range a real part can have.

Linkages are in :mod:`.schema_linkages`, masses in :mod:`.schema_masses`, what a value may be in
:mod:`.schema_values`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, ModelWrapValidatorHandler, PrivateAttr, model_validator

from sequencer.figure import catalogue
from sequencer.figure.schema_linkages import CounterweightTable, DriveTable, SpringTable
from sequencer.figure.schema_outputs import SoundTable
from sequencer.figure.schema_values import (
    FRAME_HZ,
    NAME_PATTERN,
    PULSE_US,
    Angle,
    AnglePair,
    Direction,
    Length,
    Name,
    Off,
    Pin,
    Point,
    PulsePair,
    Table,
)


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


class PullsSpread(Table):
    """What each pull, and the distance it was taken at, may be off."""

    pull_g: Off | None = None
    pull_at_mm: Off | None = None


class WobbleSpread(Table):
    """What the frames counted, and each amplitude, may be off."""

    frames: Off | None = None
    amplitudes_mm: Off | None = None


class PullsTable(Table):
    """``pulls``: a luggage scale that just moves the joint, toward its first word and its second.

    A negative pull had to be held back: the joint falls that way by itself.
    """

    pull_g: Annotated[list[Annotated[float, Field(ge=-50000, le=50000)]], Field(min_length=2, max_length=2)]
    pull_at_mm: Length
    spread: PullsSpread = PullsSpread()


class WobbleTable(Table):
    """``wobble``: a tap, filmed; ``frames`` for ``swings`` whole swings, the amplitude at both ends."""

    frames: float = Field(gt=0, le=100000)
    fps: float = Field(ge=10, le=2000)
    swings: float = Field(gt=0, le=1000)
    amplitudes_mm: Annotated[list[Length], Field(min_length=2, max_length=2)] | None = None
    spread: WobbleSpread = WobbleSpread()


class AxisTable(Table):
    """``[axes.NAME]``: what scenes move."""

    range_deg: AnglePair
    home_deg: Angle = 0.0
    parked_deg: Angle | None = None
    words: Annotated[list[Annotated[str, Field(pattern=NAME_PATTERN)]], Field(min_length=2, max_length=2)]
    drive: DriveTable
    turns_about: Direction
    pivot_mm: Point = Field(default=[0.0, 0.0, 0.0])
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
    on_stop: Literal["freeze", "park"] = "freeze"
    release_at_rest: bool = False


class LampTable(Table):
    """``[lamps.NAME]``: a dimmable light; percents are of perceived lightness.

    One pin, or three, or none: then a string follows it.
    """

    pin: Pin | None = None
    red_pin: Pin | None = None
    green_pin: Pin | None = None
    blue_pin: Pin | None = None
    colour: str = Field(default="white", min_length=3, max_length=24)
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
    kind: Literal["trigger", "stop", "rail"] = "trigger"
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

    kind: Literal["uno", "nano", "mega"]
    i2c_khz: Literal[100, 400] = 400
    memory_kb: Literal[64, 128] | None = None
    clock_error_percent: float = Field(default=1.0, ge=0, le=5)
    release_after_s: float = Field(default=10.0, ge=2, le=1200)
    clock_ppm: float = Field(default=0.0, ge=-10000, le=10000)


class TopTable(Table):
    """The keys outside any table, and the tables there can be once."""

    name: str = Field(min_length=1, max_length=40)
    ambient_c: float = Field(default=25.0, ge=-30, le=80)
    supply: SupplyTable
    board: BoardTable
    sound_module: SoundTable | None = None
