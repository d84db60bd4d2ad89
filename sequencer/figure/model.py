"""The figure as frozen values in SI units, read from ``figure.toml`` by :mod:`.read`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Basis = Literal["measured", "datasheet", "typical", "guess"]


@dataclass(frozen=True)
class Servo:
    """One physical actuator: its datasheet line and how it is built in.

    ``pulse_us`` (low, high) spans ``travel_rad``. ``ends_us`` are the pulse widths recorded on the
    bench beyond which the mechanism binds, or None while nobody has recorded them. ``reversed``
    means a longer pulse turns the output toward negative angles.
    """

    name: str
    pin: int
    no_load_speed_rad_s: float
    stall_torque_n_m: float
    at_v: float
    pulse_us: tuple[float, float]
    travel_rad: float
    stall_a: float
    frame_s: float
    centre_us: float
    reversed: bool
    ends_us: tuple[float, float] | None
    speed_derating: float
    torque_derating: float
    line: int | None = None
    stall_a_basis: Basis = "datasheet"
    derating_basis: Basis = "typical"

    @property
    def us_per_rad(self) -> float:
        """Pulse microseconds per radian of output, signed by ``reversed``."""
        slope = (self.pulse_us[1] - self.pulse_us[0]) / self.travel_rad
        return -slope if self.reversed else slope


@dataclass(frozen=True)
class DirectDrive:
    """Servo angle = ratio * axis angle (ratio > 0; use ``reversed`` on the servo for direction)."""

    servo: str
    ratio: float = 1.0


@dataclass(frozen=True)
class Axis:
    """What scenes move, in radians of the figure.

    ``direction`` is the unit vector of the turning axis, ``pivot_m`` a point on it, in the figure's
    frame at home: x forward, y to the figure's left, z up. Positive angles follow the right hand
    about ``direction``. ``words`` are the figure's own words for (negative, positive) angles.
    ``carried_by`` is the axis this one rides on.
    """

    name: str
    range_rad: tuple[float, float]
    home_rad: float
    parked_rad: float
    words: tuple[str, str]
    drive: DirectDrive
    direction: tuple[float, float, float]
    pivot_m: tuple[float, float, float]
    carried_by: str | None
    friction_n_m: float
    friction_basis: Basis
    ramp_s: float | None
    knot_frames: int | None
    line: int | None = None


@dataclass(frozen=True)
class Mass:
    """A lump carried by an axis: mass, centre at home, inertia tensor about the centre (3x3 rows)."""

    name: str
    carried_by: str
    mass_kg: float
    centre_m: tuple[float, float, float]
    inertia_kg_m2: tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
    shape: str
    basis: Basis
    line: int | None = None


@dataclass(frozen=True)
class Lamp:
    """A dimmable light; ``rest`` is its perceived lightness at home, 0..1."""

    name: str
    pin: int
    rest: float
    active_low: bool
    current_a: float
    line: int | None = None


@dataclass(frozen=True)
class Switch:
    """On or off (relay, air valve); it is set ``lead_s`` early so that it acts on time.

    ``strike_s`` is how long a strike holds it on, ``max_on_s`` the longest it may stay on (None: any).
    """

    name: str
    pin: int
    lead_s: float
    strike_s: float
    max_on_s: float | None
    active_low: bool
    line: int | None = None


@dataclass(frozen=True)
class Input:
    """A pin the board watches. ``kind`` is ``trigger`` here; later kinds: stop, rail, current."""

    name: str
    kind: Literal["trigger"]
    pin: int
    active_low: bool
    pull_up: bool
    debounce_s: float
    line: int | None = None


@dataclass(frozen=True)
class Supply:
    """The servo supply."""

    voltage_v: float
    rating_a: float


@dataclass(frozen=True)
class Board:
    """Which board and its clock's worst error plus slew (the certificate's e)."""

    kind: str
    clock_error: float = 0.01


@dataclass(frozen=True)
class Figure:
    """The whole machine. Mappings keep the file's order."""

    name: str
    servos: Mapping[str, Servo]
    axes: Mapping[str, Axis]
    masses: Mapping[str, Mass]
    lamps: Mapping[str, Lamp]
    switches: Mapping[str, Switch]
    inputs: Mapping[str, Input]
    supply: Supply
    board: Board
    ambient_c: float
    poses_rad: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    file: str = "figure.toml"


@dataclass(frozen=True)
class Limits:
    """How fast an axis may go, in rad and s; ``why`` has a sentence per quantity."""

    velocity_rad_s: float
    acceleration_rad_s2: float
    jerk_rad_s3: float
    why: Mapping[str, str]


@dataclass(frozen=True)
class AxisPhysics:
    """What the masses mean to one axis, all about its line and at the axis (after the ratio).

    ``inertia_kg_m2`` and ``gravity_torque_n_m`` are the worst over its range and the ranges of what
    carries it and what it carries. ``available_torque_n_m`` is what is left for accelerating at top
    speed: half of the derated stall torque minus gravity and friction (may be negative).
    ``torque_margin`` = 1 - (gravity + friction) / derated stall torque: 1 is free, 0 cannot hold.
    """

    inertia_kg_m2: float
    gravity_torque_n_m: float
    friction_torque_n_m: float
    available_torque_n_m: float
    torque_margin: float


@dataclass(frozen=True)
class TrackMap:
    """Affine map of one track: pulse_us = zero_us + us_per_rad * angle_rad.

    ``low_us``/``high_us`` bound the pulse (axis range within servo range and recorded ends).
    """

    name: str
    axis: str
    servo: str
    pin: int
    zero_us: float
    us_per_rad: float
    low_us: float
    high_us: float
    rest_us: float
    parked_us: float
    frame_s: float
