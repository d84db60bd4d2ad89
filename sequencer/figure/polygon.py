"""What the two tracks of a pair may do together: a convex polygon in pulses, inside the axes' ranges.

The ranges are a rectangle of poses; the servos see it as a figure with four bent sides. The planner and the
board's certificate need straight ones, so a convex polygon is put inside, as large as may be: its loss at
the corners of the ranges is told. It is proven by following its border densely back to poses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sequencer.errors import Fault, FigureError
from sequencer.figure.convex import Half, clip, halves, inside_curve, simpler, slack
from sequencer.figure.crank import Array
from sequencer.figure.model import Axis, Figure, Pair, Servo
from sequencer.figure.neck import Neck

#: A pose nearer to a toggle than this is not used, radians (common practice: 30-40 deg, 15 at the least).
LEAST_TOGGLE_RAD = math.radians(15.0)
#: Nearer than this a joint's play shows and little pushes (common practice).
GOOD_TOGGLE_RAD = math.radians(30.0)
#: Cranks turn no further than this from square (common practice).
CRANK_RAD = math.radians(45.0)
#: The polygon keeps this far from the true border, microseconds.
MARGIN_US = 0.25
#: Home and parked lie at least this deep inside, so that rounding never puts them outside.
ROOM_US = 0.5
#: The planner has a row for each side and control point.
MOST_SIDES = 8
_SIDE = 240
_GRID = 41
_RAYS = 160
_PROOF = 200
_TINY_RAD = 1e-9


@dataclass(frozen=True)
class HalfPlane:
    """a * pulse of ``track_a`` + b * pulse of ``track_b`` <= limit, in microseconds; (a, b) has length 1."""

    track_a: str
    track_b: str
    a: float
    b: float
    limit: float


@dataclass(frozen=True)
class Corner:
    """One direction of the ranges and how much of it the polygon keeps: ``share`` 1 is all, 0 nothing."""

    axis_rad: tuple[float, float]
    share: float


@dataclass(frozen=True)
class PairReach:
    """What is known of a pair. ``border_rad`` (n, 2) is the polygon as poses, for drawing.

    ``corners`` are the four corners of the ranges and the middles of its sides (the other axis at home).
    ``toggle_rad`` is the least distance from a toggle over the polygon, ``crank_rad`` the (least, most)
    angle between crank and servo centre of each servo.
    """

    half_planes: tuple[HalfPlane, ...]
    vertices_us: tuple[tuple[float, float], ...]
    border_rad: Array
    corners: tuple[Corner, ...]
    toggle_rad: float
    crank_rad: tuple[tuple[float, float], tuple[float, float]]


def polygon(figure: Figure, pair_name: str) -> tuple[HalfPlane, ...]:
    """The half-planes that keep a pair's two tracks inside its ranges, ends and away from toggles.

    The tracks are named after the servos. Raises FigureError when home or parked cannot be kept, which
    reading a file finds out before.
    """
    return reach_of(figure, pair_name).half_planes


def reach_of(figure: Figure, pair_name: str) -> PairReach:
    """Everything about what a pair can reach; computed once for the same geometry. Raises like polygon."""
    pair = figure.pairs[pair_name]
    first, second = (figure.axes[name] for name in pair.axes)
    one, two = (figure.servos[crank.servo] for crank in pair.cranks)
    return _reach(pair, first, second, one, two, figure.file)


def corner_loss(figure: Figure, pair_name: str) -> tuple[Corner, ...]:
    """The four corners of the ranges and the four ends of the single axes, with the share that is kept."""
    return reach_of(figure, pair_name).corners


def servo_window_us(servo: Servo) -> tuple[float, float]:
    """Pulses (shortest, longest) that a servo may be given: its range and its recorded ends."""
    low, high = servo.pulse_us
    if servo.ends_us is not None:
        low, high = max(low, servo.ends_us[0]), min(high, servo.ends_us[1])
    return low, high


def pulses_us(servos: tuple[Servo, Servo], servo_rad: Array) -> Array:
    """(n, 2) servo angles to pulses."""
    centre = np.array([servo.centre_us for servo in servos])
    pulses: Array = centre + servo_rad * np.array([servo.us_per_rad for servo in servos])
    return pulses


@lru_cache(maxsize=32)
def _reach(pair: Pair, first: Axis, second: Axis, one: Servo, two: Servo, file: str) -> PairReach:
    link, servos = Neck(pair, first, second), (one, two)
    ranges = np.array([first.range_rad, second.range_rad])
    home = link.home_rad[None, :]
    keep_rad = np.array([link.home_rad, [first.parked_rad, second.parked_rad]])
    keep = pulses_us(servos, link.servo_rad(keep_rad))
    if not np.all(np.isfinite(keep)):
        raise _cannot_keep(pair, file, "a rod cannot reach the head there")
    windows = [servo_window_us(servo) for servo in servos]
    curve = pulses_us(servos, link.servo_rad(_usable_border(link, ranges)))
    room = ROOM_US + MARGIN_US
    found = inside_curve(curve, keep, room)
    for index, (low, high) in enumerate(windows):
        a, b = (1.0, 0.0) if index == 0 else (0.0, 1.0)
        for half in ((a, b, high), (-a, -b, -low)):
            found = clip(found, half)
    if len(found) < 3 or float(np.min(slack(halves(found), keep))) < room - 1e-9:
        raise _cannot_keep(pair, file, "it lies at the border of what the two servos reach together")
    found = simpler(found, MOST_SIDES, keep, room)
    sides: tuple[Half, ...] = tuple((a, b, limit - MARGIN_US) for a, b, limit in halves(found))
    for half in sides:
        found = clip(found, half)
    border = _border(found)
    angles = (border - pulses_us(servos, np.zeros((1, 2)))) / np.array([servo.us_per_rad for servo in servos])
    poses = link.axis_rad(angles, np.broadcast_to(home, angles.shape))
    inside = np.all((poses >= ranges[:, 0] - _TINY_RAD) & (poses <= ranges[:, 1] + _TINY_RAD))
    if not (np.all(np.isfinite(poses)) and inside):
        raise _cannot_keep(pair, file, "the geometry is too crooked to be kept inside straight sides")
    return PairReach(
        half_planes=tuple(HalfPlane(one.name, two.name, *half) for half in sides),
        vertices_us=tuple((float(x), float(y)) for x, y in found),
        border_rad=poses,
        corners=tuple(_corners(link, servos, ranges, sides)),
        toggle_rad=float(np.min(link.toggle_rad(poses))),
        crank_rad=(
            (float(angles[:, 0].min()), float(angles[:, 0].max())),
            (float(angles[:, 1].min()), float(angles[:, 1].max())),
        ),
    )


def _cannot_keep(pair: Pair, file: str, why: str) -> FigureError:
    return FigureError(
        Fault(
            f"linkages.{pair.name}: home or the parked pose cannot be kept: {why}",
            file=file,
            line=pair.line,
            quantity=f"linkages.{pair.name}",
            remedy=f"move home_deg and parked_deg of `{pair.axes[0]}` and `{pair.axes[1]}` toward the middle "
            "of their ranges, or record the servos' ends again",
        )
    )


def _usable_border(link: Neck, ranges: Array) -> Array:
    """Once round the poses that can be used, (n, 2): the ranges, or less where a toggle is near."""
    along = np.linspace(0.0, 1.0, _SIDE, endpoint=False)
    (low_1, high_1), (low_2, high_2) = ranges
    rim = np.concatenate(
        [
            np.column_stack([low_1 + along * (high_1 - low_1), np.full(_SIDE, low_2)]),
            np.column_stack([np.full(_SIDE, high_1), low_2 + along * (high_2 - low_2)]),
            np.column_stack([high_1 - along * (high_1 - low_1), np.full(_SIDE, high_2)]),
            np.column_stack([np.full(_SIDE, low_1), high_2 - along * (high_2 - low_2)]),
        ]
    )
    grid = np.stack(
        np.meshgrid(np.linspace(low_1, high_1, _GRID), np.linspace(low_2, high_2, _GRID)), axis=-1
    ).reshape(-1, 2)
    everywhere = np.concatenate([rim, grid])
    if bool(np.all(link.toggle_rad(everywhere) >= LEAST_TOGGLE_RAD)):
        return rim
    shares = np.linspace(0.0, 1.0, _RAYS)[1:]
    rim = rim[::4]
    rays = link.home_rad + shares[:, None, None] * (rim - link.home_rad)
    good = link.toggle_rad(rays.reshape(-1, 2)).reshape(len(shares), len(rim)) >= LEAST_TOGGLE_RAD
    last = np.where(good.all(axis=0), len(shares), np.argmin(good, axis=0))
    kept = np.concatenate([[0.0], shares])[last]
    trimmed: Array = link.home_rad + kept[:, None] * (rim - link.home_rad)
    return trimmed


def _border(found: Array) -> Array:
    """Points along a polygon's sides, its corners among them."""
    along = np.linspace(0.0, 1.0, _PROOF, endpoint=False)[:, None]
    return np.concatenate(
        [here + along * (then - here) for here, then in zip(found, np.roll(found, -1, axis=0), strict=True)]
    )


def _corners(link: Neck, servos: tuple[Servo, Servo], ranges: Array, sides: tuple[Half, ...]) -> list[Corner]:
    (low_1, high_1), (low_2, high_2) = ranges
    home_1, home_2 = link.home_rad
    wanted = [(x, y) for x in (low_1, home_1, high_1) for y in (low_2, home_2, high_2)]
    shares = np.linspace(0.0, 1.0, 401)
    found = []
    for pose in wanted:
        if pose == (home_1, home_2):
            continue
        ray = link.home_rad + shares[:, None] * (np.array(pose) - link.home_rad)
        depth = slack(sides, pulses_us(servos, link.servo_rad(ray)))
        good = depth >= 0.0
        kept = 1.0 if good.all() else float(shares[max(0, int(np.argmin(good)) - 1)])
        found.append(Corner((float(pose[0]), float(pose[1])), kept))
    return found
