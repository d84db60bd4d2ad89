"""The figure as frozen values in SI units, read from ``figure.toml`` by :mod:`.read`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Basis = Literal["measured", "datasheet", "typical", "guess"]


@dataclass(frozen=True)
class LowVoltageLine:
    """The datasheet's second line, at the lower voltage."""

    at_v: float
    no_load_speed_rad_s: float
    stall_torque_n_m: float


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
    low_line: LowVoltageLine | None = None
    continuous_share: float = 0.25
    continuous_basis: Basis = "typical"
    weight_kg: float | None = None
    line_basis: Basis = "datasheet"
    class_name: str | None = None

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
class FourBarDrive:
    """A servo crank, a coupler and a rocker that is the axis; Freudenstein's linkage in one plane.

    Links in metres. ``crank_at_centre_rad`` is the crank's angle from the ground line (from the servo's
    axle to the axis' pivot) when the servo is at its centre and the axis at 0. ``crossed`` chooses the
    closure; ``inverted`` means that a growing rocker angle is a falling axis angle. ``name`` is the
    linkage's name in the file.
    """

    servo: str
    crank_m: float
    coupler_m: float
    rocker_m: float
    ground_m: float
    crank_at_centre_rad: float
    crossed: bool = False
    inverted: bool = False
    name: str | None = None


@dataclass(frozen=True)
class PairDrive:
    """One of the two axes that a :class:`Pair` moves together."""

    pair: str


Drive = DirectDrive | FourBarDrive | PairDrive


@dataclass(frozen=True)
class Crank:
    """One servo crank of a pair, in the figure's frame at home.

    The crank turns about a horizontal axle through ``pivot_m``, in the vertical plane that points
    ``plane_rad`` from x towards y: its tip is at pivot + crank_m (cos t cos b, cos t sin b, sin t), with
    t = ``at_centre_rad`` + servo angle. A rod of ``rod_m`` joins the tip to ``joint_m`` on the head.
    """

    servo: str
    pivot_m: tuple[float, float, float]
    plane_rad: float
    crank_m: float
    rod_m: float
    joint_m: tuple[float, float, float]
    at_centre_rad: float = 0.0


@dataclass(frozen=True)
class Pair:
    """Two cranks with push-rods and ball joints that move two axes together about one pivot.

    ``axes`` are (carrier, carried): the second rides on the first, their lines meet in the pivot.
    """

    name: str
    axes: tuple[str, str]
    cranks: tuple[Crank, Crank]
    line: int | None = None


@dataclass(frozen=True)
class Spring:
    """A spring or elastic on an axis: torque_n_m at ``at_rad``, falling by ``rate_n_m_rad`` a radian.

    Positive torque drives toward positive angles: torque = torque_n_m - rate_n_m_rad (angle - at_rad).
    """

    torque_n_m: float
    at_rad: float
    rate_n_m_rad: float


@dataclass(frozen=True)
class Clearance:
    """Two channels that collide: while ``when`` is beyond its angle, ``channel`` must keep to its own.

    Both as (axis, side, angle_rad); side +1 means "more than", -1 "less than". For the kept channel
    side -1 means at most ``keep_rad``, +1 at least.
    """

    name: str
    channel: str
    keep_side: int
    keep_rad: float
    when: str
    when_side: int
    when_rad: float
    line: int | None = None


@dataclass(frozen=True)
class Opening:
    """A gap that a body part could get into: its narrowest and the part to keep out of it."""

    name: str
    gap_m: float
    part: Literal["finger", "hand", "arm", "head", "body"]
    line: int | None = None


@dataclass(frozen=True)
class Pulled:
    """What a luggage scale said of an axis at home: torque toward positive angles by itself, and its spread.

    It is gravity and springs together, as they should follow from the masses.
    """

    imbalance_n_m: float
    spread_n_m: float


@dataclass(frozen=True)
class Axis:
    """What scenes move, in radians of the figure.

    ``direction`` is the unit vector of the turning axis, ``pivot_m`` a point on it, in the figure's
    frame at home: x forward, y to the figure's left, z up. Positive angles follow the right hand
    about ``direction``. ``words`` are the figure's own words for (negative, positive) angles.
    ``carried_by`` is the axis this one rides on. ``torque_aware``: scenes use all that its servo's
    torque-speed line leaves at each moment, not only constant limits. ``on_stop``: held where a stop ends,
    or moved to the parked pose and released. ``release_at_rest``: idle, it loses its pulses for silence.
    """

    name: str
    range_rad: tuple[float, float]
    home_rad: float
    parked_rad: float
    words: tuple[str, str]
    drive: Drive
    direction: tuple[float, float, float]
    pivot_m: tuple[float, float, float]
    carried_by: str | None
    friction_n_m: float
    friction_basis: Basis
    ramp_s: float | None
    knot_frames: int | None
    line: int | None = None
    viscous_n_m_s: float = 0.0
    spring: Spring | None = None
    friction_spread_n_m: float = 0.0
    pulled: Pulled | None = None
    wobble_hz: float | None = None
    wobble_spread_hz: float = 0.0
    damping_ratio: float | None = None
    torque_aware: bool = False
    on_stop: Literal["freeze", "park"] = "freeze"
    release_at_rest: bool = False


@dataclass(frozen=True)
class Mass:
    """A lump carried by an axis: mass, centre at home, inertia tensor about the centre (3x3 rows).

    ``spread`` widens ranges: relative uncertainty of the inertia (a shape that was guessed, a reading).
    ``mass_spread_kg`` and ``centre_spread_m`` are what the scale and the balance point may be off, as the
    file tells; 0 when it does not.
    """

    name: str
    carried_by: str
    mass_kg: float
    centre_m: tuple[float, float, float]
    inertia_kg_m2: tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
    shape: str
    basis: Basis
    line: int | None = None
    spread: float = 0.0
    mass_spread_kg: float = 0.0
    centre_spread_m: float = 0.0


#: A lamp that has no pin of its own.
NO_PIN = 255


@dataclass(frozen=True)
class Lamp:
    """A dimmable light; ``rest`` is its perceived lightness at home, 0..1.

    ``supply_v`` feeds it (None: the pin's own voltage), ``forward_v`` is the sum of its diodes' forward
    voltages (None: its resistor is built in or not told), ``through`` what carries its current. A lamp of
    three colours has ``pins`` for red, green and blue, of which ``pin`` is the first; 255 is no pin of its
    own: strings follow it. ``colour`` is what it shows until a scene says another.
    """

    name: str
    pin: int
    rest: float
    active_low: bool
    current_a: float
    line: int | None = None
    supply_v: float | None = None
    forward_v: float | None = None
    through: Literal["pin", "transistor"] = "pin"
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    pins: tuple[int, ...] = ()

    @property
    def rgb(self) -> bool:
        """Whether it has three colours."""
        return len(self.pins) == 3


@dataclass(frozen=True)
class LedString:
    """Addressable lamps that all show what a lamp shows; ``led_a`` is one's current at full white."""

    name: str
    pin: int
    leds: int
    follows: str
    colour: tuple[float, float, float]
    order: Literal["grb", "rgb"]
    led_a: float
    line: int | None = None


@dataclass(frozen=True)
class SoundModule:
    """A module that plays numbered tracks: told ``lead_s`` early, by a pulse or by a serial message.

    ``place`` is where in ``message`` the track's number goes, None nowhere. ``silence`` is a track without
    sound, told when the figure is stopped, None: what was told plays on.
    """

    pin: int
    kind: Literal["pulse", "serial"]
    tracks: Mapping[str, int]
    lead_s: float
    pulse_s: float
    active_low: bool
    baud: int
    message: bytes
    place: int | None
    silence: int | None
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
    """A pin the board watches: a trigger plays scenes, a stop (while active) holds the player, a rail is
    active while the servos have their supply."""

    name: str
    kind: Literal["trigger", "stop", "rail"]
    pin: int
    active_low: bool
    pull_up: bool
    debounce_s: float
    line: int | None = None


@dataclass(frozen=True)
class Sensor:
    """An analog input: a current (``mv_per_unit`` is mV an ampere) or the supply's voltage (mV a volt).

    ``watches`` is a servo's name, None the whole supply. The stall guard trips above what was learned plus
    ``above_share`` of it plus ``above_a``, or above ``limit_a`` (None: no such ceiling), for ``for_s``.
    """

    name: str
    kind: Literal["current", "voltage"]
    pin: int
    mv_per_unit: float
    offset_mv: float = 0.0
    watches: str | None = None
    above_share: float = 0.0
    above_a: float = 0.0
    for_s: float = 0.0
    limit_a: float | None = None
    on_trip: Literal["hold", "finish", "tell"] = "hold"
    line: int | None = None


@dataclass(frozen=True)
class Expander:
    """Sixteen more outputs at an address of the I2C bus; ``oscillator_mhz`` None = not calibrated."""

    name: str
    address: int
    serves: Literal["servos", "lamps"]
    oscillator_mhz: float | None = None
    line: int | None = None

    @property
    def oscillator_hz(self) -> float:
        """Measured, or what the datasheet says."""
        return 25e6 if self.oscillator_mhz is None else 1e6 * self.oscillator_mhz


@dataclass(frozen=True)
class Supply:
    """The servo supply, its fuse and the wire to the servos (one way)."""

    voltage_v: float
    rating_a: float
    fuse_a: float | None = None
    wire_awg: int | None = None
    wire_m: float | None = None


@dataclass(frozen=True)
class Board:
    """Which board; its clock's worst error plus slew (the certificate's e), and its measured error.

    ``release_after_s``: it idles so long before axes that may fall silent do.
    ``memory_bytes`` of I2C memory take what of a long show has no room in its flash.
    """

    kind: str
    clock_error: float = 0.01
    release_after_s: float = 10.0
    clock_ppm: float = 0.0
    i2c_khz: int = 400
    memory_bytes: int = 0


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
    pairs: Mapping[str, Pair] = field(default_factory=dict)
    clearances: Mapping[str, Clearance] = field(default_factory=dict)
    openings: Mapping[str, Opening] = field(default_factory=dict)
    expanders: Mapping[str, Expander] = field(default_factory=dict)
    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    strings: Mapping[str, LedString] = field(default_factory=dict)
    sound_module: SoundModule | None = None
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
    speed: half of the derated stall torque minus gravity and friction (may be negative). Gravity is what
    is left of it after the axis's own spring. ``torque_margin`` = 1 - (gravity + friction) / derated stall
    torque: 1 is free, 0 cannot hold. Through a linkage the last two are the busiest servo's, at its worst
    pose, with both axes of a pair held.
    """

    inertia_kg_m2: float
    gravity_torque_n_m: float
    friction_torque_n_m: float
    available_torque_n_m: float
    torque_margin: float


@dataclass(frozen=True)
class TrackMap:
    """Affine map of one track: pulse_us = zero_us + us_per_rad * track_rad.

    ``track_rad`` is the axis' angle for a direct drive (``axis`` its name) and the servo's own angle
    otherwise (``axis`` is then the axis of a four-bar, or the pair's name): see :mod:`.tracks`.
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
