"""Tracks as integers: what a plan is, and the certificate that proves it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Mode:
    """How an axis wobbles after a tap: its frequency, give or take ``spread_hz``, and its damping ratio.

    ``damping_typical`` says that nobody measured the damping.
    """

    frequency_hz: float
    spread_hz: float
    damping: float
    damping_typical: bool = False


@dataclass(frozen=True)
class TrackSpec:
    """How one track's integers mean pulse widths, and the bounds its integers must keep.

    pulse_us = origin_us + value * 2**-lsb_exponent. Control points are ``knot_frames`` servo frames
    apart. ``low``/``high`` bound the control points; ``bounds`` = (|D1|, |D2|, |D3|) in LSB, already
    divided by (1+e)^m. ``value_per_rad`` is signed: value = value_zero + value_per_rad * angle_rad, the
    angle that of the axis or, behind a linkage, of the servo. ``group`` names the pair that the track
    belongs to; its two tracks share knots and resolution. ``mode`` is how its axis wobbles, None where
    nobody filmed it; behind a linkage the track carries the mode of the axis in its own place.
    A track that is planned with torque has the outermost bounds in ``bounds``, which scenes keep, and those
    of its constant limits in ``calm_bounds``, for all that no torque was reckoned for (None: the same).
    """

    name: str
    axis: str
    servo: str
    pin: int
    frame_us: int
    knot_frames: int
    lsb_exponent: int
    origin_us: int
    value_zero: float
    value_per_rad: float
    low: int
    high: int
    bounds: tuple[int, int, int]
    rest: int
    parked: int
    group: str | None = None
    mode: Mode | None = None
    calm_bounds: tuple[int, int, int] | None = None

    @property
    def calm(self) -> TrackSpec:
        """The same track with what it keeps in loops and transitions for its bounds."""
        return self if self.calm_bounds is None else replace(self, bounds=self.calm_bounds, calm_bounds=None)

    @property
    def knot_s(self) -> float:
        """Knot spacing H in seconds."""
        return self.knot_frames * self.frame_us * 1e-6

    @property
    def lsb_us(self) -> float:
        """Weight of one LSB in microseconds of pulse."""
        return 2.0**-self.lsb_exponent


@dataclass(frozen=True)
class PairFace:
    """One side of a pair's polygon for control points in LSB: a * c1 + b * c2 <= limit.

    A point of a rest-to-rest profile is rounded once more, off the line to rest; so all that such a
    profile may begin from (every scene, every other transition) keeps :attr:`inner`.
    """

    a: int
    b: int
    limit: int

    @property
    def inner(self) -> int:
        """The limit less what one rounding of both points can add."""
        return self.limit - (abs(self.a) + abs(self.b) + 1) // 2


@dataclass(frozen=True)
class PairSpec:
    """Two tracks whose control-point pairs stay in a convex polygon, and with them the pose for all t."""

    name: str
    tracks: tuple[str, str]
    faces: tuple[PairFace, ...]


@dataclass(frozen=True)
class Shaping:
    """What was done about ringing: the taps on knots, how late they make the motion, what it rang before.

    ``before_rad`` is the most that the axis in the track's place rang on after a move without the taps.
    """

    taps: tuple[float, ...]
    late_s: float
    before_rad: float


@dataclass(frozen=True)
class TrackPlan:
    """Control points of one track in one scene, int64 shape (n,).

    A scene of K spans with rest ends has n = K + 3, the first and last three equal ``spec.rest``;
    a loop of K spans has n = K, taken cyclically (span i uses c[i..i+3], indices mod K).
    ``objective`` is the value before rounding (rad^2 s), ``iterations`` what the solver took; both
    tracks of a pair carry those of their common problem. ``shaping`` is None where no move rang.
    """

    spec: TrackSpec
    scene: str
    loop: bool
    points: NDArray[np.int64]
    objective: float
    iterations: int
    shaping: Shaping | None = None


@dataclass(frozen=True)
class Quantity:
    """One line of a certificate: the worst hull value against its bound, and where it is worst."""

    max: int
    bound: int
    scene: str


@dataclass(frozen=True)
class PositionQuantity:
    """Position has two sides: lower <= min and max <= bound."""

    min: int
    lower: int
    max: int
    bound: int
    scene: str


@dataclass(frozen=True)
class TrackCertificate:
    """Proof in integers that one track keeps its limits for all t, over all scenes and transitions."""

    track: str
    position: PositionQuantity
    velocity: Quantity
    acceleration: Quantity
    jerk: Quantity


@dataclass(frozen=True)
class PairCertificate:
    """Proof in integers that the pose of a pair stays in its polygon; a quantity for each face."""

    spec: PairSpec
    faces: tuple[Quantity, ...]


Certificate = Mapping[str, TrackCertificate]
PairCertificates = Mapping[str, PairCertificate]
