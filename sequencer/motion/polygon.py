"""A pair's polygon in integers: from half-planes in microseconds to faces that control points must keep.

A spline lies in the hull of its points, so pairs of points inside a convex polygon keep the whole
two-dimensional curve inside it. The integer faces imply the real half-planes for every point of the box.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, PlanError
from sequencer.motion.certificate import row_time_s
from sequencer.motion.model import PairCertificate, PairFace, PairSpec, Quantity, TrackSpec
from sequencer.motion.spline import extend

#: Faces' normals are integers of this length: products with 16-bit points stay below 2^30.
NORMAL_LENGTH = 2**13
#: How far (LSB) home or parked may be moved to be inside all faces as integers.
NEAREST_LSB = 3


class HalfPlane(Protocol):
    """a * pulse_us of track_a + b * pulse_us of track_b <= limit."""

    @property
    def track_a(self) -> str: ...  # noqa: D102 - told above
    @property
    def track_b(self) -> str: ...  # noqa: D102
    @property
    def a(self) -> float: ...  # noqa: D102
    @property
    def b(self) -> float: ...  # noqa: D102
    @property
    def limit(self) -> float: ...  # noqa: D102


def integer_face(one: TrackSpec, other: TrackSpec, a: float, b: float, limit_us: float) -> PairFace:
    """The face that implies a * pulse1 + b * pulse2 <= limit_us for all integers of both boxes.

    The limit gives way by what rounding the normal changes at the worst corner of the box.
    """
    length = math.hypot(a, b)
    scale_a, scale_b = NORMAL_LENGTH * a / length, NORMAL_LENGTH * b / length
    whole_a, whole_b = round(scale_a), round(scale_b)
    lost = max(
        (scale_a - whole_a) * x + (scale_b - whole_b) * y
        for x, y in itertools.product((one.low, one.high), (other.low, other.high))
    )
    room_us = limit_us - a * one.origin_us - b * other.origin_us
    return PairFace(whole_a, whole_b, math.floor(NORMAL_LENGTH * room_us / length / one.lsb_us - lost - 1e-6))


def pair_spec(
    name: str, one: TrackSpec, other: TrackSpec, half_planes: Iterable[HalfPlane]
) -> tuple[TrackSpec, TrackSpec, PairSpec]:
    """The polygon of two tracks in LSB, and the tracks with home and parked inside it.

    Raises :class:`PlanError` when the tracks don't share knots and resolution, or home or parked is
    outside the polygon by more than rounding.
    """
    if (one.knot_frames, one.lsb_exponent) != (other.knot_frames, other.lsb_exponent):
        raise PlanError(
            f"pair {name}: tracks {one.name} and {other.name} have different knots or resolutions"
        )
    faces = []
    for plane in half_planes:
        a, b = (plane.a, plane.b) if plane.track_a == one.name else (plane.b, plane.a)
        if {plane.track_a, plane.track_b} != {one.name, other.name}:
            raise PlanError(f"pair {name}: a half-plane of {plane.track_a} and {plane.track_b}")
        faces.append(integer_face(one, other, a, b, plane.limit))
    spec = PairSpec(name, (one.name, other.name), tuple(faces))
    rest = _nearest(spec, (one, other), "home", one.rest, other.rest)
    parked = _nearest(spec, (one, other), "parked", one.parked, other.parked)
    return (
        dataclasses.replace(one, rest=rest[0], parked=parked[0]),
        dataclasses.replace(other, rest=rest[1], parked=parked[1]),
        spec,
    )


def _nearest(
    pair: PairSpec, specs: tuple[TrackSpec, TrackSpec], what: str, x: int, y: int
) -> tuple[int, int]:
    near = range(-NEAREST_LSB, NEAREST_LSB + 1)
    for dx, dy in sorted(itertools.product(near, near), key=lambda d: d[0] ** 2 + d[1] ** 2):
        inside = specs[0].low <= x + dx <= specs[0].high and specs[1].low <= y + dy <= specs[1].high
        if inside and all(f.a * (x + dx) + f.b * (y + dy) <= f.inner for f in pair.faces):
            return x + dx, y + dy
    worst = max(pair.faces, key=lambda f: (f.a * x + f.b * y - f.inner) / math.hypot(f.a, f.b))
    over = (worst.a * x + worst.b * y - worst.inner) / math.hypot(worst.a, worst.b) * specs[0].lsb_us
    raise PlanError(
        Fault(
            f"pair {pair.name}: {what} is outside what its linkage can be sent to",
            quantity=f"{what} pose",
            value=f"{over:.2f} us outside",
            limit="inside the reachable polygon",
            remedy=f"move {what} of both axes inward, or widen their ranges; "
            "`quarterjack figure` draws the polygon",
        )
    )


def certify_pair(
    pair: PairSpec,
    specs: Sequence[TrackSpec],
    points: Sequence[NDArray[np.integer]],
    *,
    scene: str,
    loop: bool,
) -> PairCertificate:
    """Prove that every pair of ``points`` (integers, two arrays of one length) keeps every face.

    Raises :class:`PlanError` naming pair, time and remedy when one is broken.
    """
    one, other = (np.asarray(each, np.int64) for each in points)
    if one.shape != other.shape or one.ndim != 1 or not len(one):
        raise PlanError(f"pair {pair.name}, scene {scene}: these are not pairs of control points")
    one, other = extend(one, loop), extend(other, loop)
    worst = []
    for face in pair.faces:
        values = face.a * one + face.b * other
        at = int(values.argmax())
        if values[at] > face.inner:
            time_s = row_time_s(specs[0], 0, at)
            over_us = float(values[at] - face.inner) / math.hypot(face.a, face.b) * specs[0].lsb_us
            raise PlanError(
                Fault(
                    f"pair {pair.name}, scene {scene}: the pose leaves what is reachable at {time_s:.2f} s",
                    quantity="pose",
                    value=f"{over_us:.2f} us outside",
                    limit="inside the polygon",
                    remedy=f"ask less of {pair.name} about {time_s:.2f} s",
                )
            )
        worst.append(Quantity(int(values[at]), face.limit, scene))
    return PairCertificate(pair, tuple(worst))


def merge_pairs(certificates: Iterable[PairCertificate]) -> PairCertificate:
    """The worst of several certificates of one pair; at least one."""
    first, *rest = certificates
    for other in rest:
        if other.spec != first.spec:
            raise ValueError("certificates of different polygons do not merge")
        faces = tuple(b if b.max > a.max else a for a, b in zip(first.faces, other.faces, strict=True))
        first = PairCertificate(first.spec, faces)
    return first
