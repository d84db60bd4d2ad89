"""The proof: integer inequalities on the stored points that hold for the curve at every moment.

A uniform cubic B-spline lies in the hull of its points; its velocity in the hull of D1 c/H, its
acceleration in that of D2 c/H^2, its jerk equals D3 c/H^3. So four integer comparisons a point prove
position, velocity, acceleration and jerk for all t. It certifies the command, not the servo's response.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, PlanError
from sequencer.motion.model import PositionQuantity, Quantity, TrackCertificate, TrackSpec
from sequencer.motion.spline import extend

QUANTITIES = ("position", "velocity", "acceleration", "jerk")
UNITS = ("deg", "deg/s", "deg/s2", "deg/s3")


def certify(
    spec: TrackSpec,
    points: NDArray[np.integer] | Sequence[int],
    *,
    scene: str,
    loop: bool = False,
    before: Sequence[int] = (),
    after: Sequence[int] = (),
) -> TrackCertificate:
    """Prove that ``points`` (integers, shape (n,)) keep every bound of ``spec``.

    ``loop`` wraps the points, so that the differences over the seam are proven too. ``before`` and
    ``after`` are fixed values that the board plays around them (for a transition or a re-planned
    window). Raises :class:`PlanError` naming track, quantity, time and remedy when a bound is
    broken, or when ``points`` are not integers or too few to play.
    """
    inner = np.asarray(points)
    if inner.ndim != 1 or not np.issubdtype(inner.dtype, np.integer) or len(inner) < (1 if loop else 4):
        raise PlanError(f"track {spec.name}, scene {scene}: these are not control points of a curve")
    wrapped = extend(inner.astype(np.int64), loop)
    values = np.concatenate([np.asarray(before, np.int64), wrapped, np.asarray(after, np.int64)])
    first = -len(before)

    low, high = int(values.min()), int(values.max())
    if low < spec.low or high > spec.high:
        at = int(values.argmin() if low < spec.low else values.argmax())
        raise _broken(spec, scene, 0, int(values[at]), spec.low if low < spec.low else spec.high, first + at)
    worst = []
    difference = values
    for order, bound in enumerate(spec.bounds, start=1):
        difference = np.diff(difference)
        sizes = np.abs(difference)
        at = int(sizes.argmax())
        if sizes[at] > bound:
            raise _broken(spec, scene, order, int(sizes[at]), bound, first + at)
        worst.append(Quantity(int(sizes[at]), bound, scene))
    position = PositionQuantity(low, spec.low, high, spec.high, scene)
    return TrackCertificate(spec.name, position, worst[0], worst[1], worst[2])


def merge(certificates: Iterable[TrackCertificate]) -> TrackCertificate:
    """The worst of several certificates of one track (scenes, transitions); at least one."""
    first, *rest = certificates
    for other in rest:
        if other.track != first.track:
            raise ValueError(f"certificates of {first.track} and {other.track} do not merge")
        first = TrackCertificate(
            first.track,
            _worse_position(first.position, other.position),
            _worse(first.velocity, other.velocity),
            _worse(first.acceleration, other.acceleration),
            _worse(first.jerk, other.jerk),
        )
    return first


def _worse(one: Quantity, other: Quantity) -> Quantity:
    if one.bound != other.bound:
        raise ValueError(f"certificates with bounds {one.bound} and {other.bound} do not merge")
    return other if other.max > one.max else one


def _worse_position(one: PositionQuantity, other: PositionQuantity) -> PositionQuantity:
    if (one.lower, one.bound) != (other.lower, other.bound):
        raise ValueError("certificates with different position bounds do not merge")

    def room(side: PositionQuantity) -> int:
        return min(side.min - side.lower, side.bound - side.max)

    scene = other.scene if room(other) < room(one) else one.scene
    return PositionQuantity(min(one.min, other.min), one.lower, max(one.max, other.max), one.bound, scene)


def row_time_s(spec: TrackSpec, order: int, row: int) -> float:
    """When row ``row`` of D^order is felt most: the middle of where its B-spline lives (>= 0)."""
    return max(0.0, (row - 1.0 + order / 2.0) * spec.knot_s)


def in_degrees(spec: TrackSpec, order: int, value: float) -> float:
    """An m-th difference in LSB (order 0: a point) as degrees (per s^m) of the axis."""
    shifted = value - spec.value_zero if order == 0 else value
    return float(np.degrees(shifted / spec.value_per_rad) / spec.knot_s**order)


def _broken(spec: TrackSpec, scene: str, order: int, value: int, bound: int, row: int) -> PlanError:
    quantity, unit = QUANTITIES[order], UNITS[order]
    time_s = row_time_s(spec, order, row)
    shown, allowed = in_degrees(spec, order, value), in_degrees(spec, order, bound)
    if order:
        shown, allowed = abs(shown), abs(allowed)
    return PlanError(
        Fault(
            f"track {spec.name}, scene {scene}: {quantity} is over its bound at {time_s:.2f} s",
            quantity=quantity,
            value=f"{shown:.6g} {unit} ({value} LSB)",
            limit=f"{allowed:.6g} {unit} ({bound} LSB)",
            remedy=f"move axis {spec.axis} more slowly or less far about {time_s:.2f} s, or start it earlier",
        )
    )
