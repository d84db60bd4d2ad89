"""What a played spline really reaches: closed-form peaks, positions at any time, errors.

The certificate bounds hulls; the curve itself stays inside them. Here are the exact extremes of the
curve that the player plays, from its integers: peak <= certificate max <= bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.motion.model import TrackSpec
from sequencer.motion.spline import BASIS, Floats, basis, extend
from sequencer.timeline.model import GRID_S


@dataclass(frozen=True)
class Peak:
    """Extremes of one curve.

    Positions in LSB and rad; the others as absolute values, in LSB per knot^m (comparable with the
    certificate) and in rad and s. ``*_time_s`` is when each is reached first.
    """

    min_lsb: float
    max_lsb: float
    velocity_lsb: float
    acceleration_lsb: float
    jerk_lsb: float
    min_rad: float
    max_rad: float
    velocity_rad_s: float
    acceleration_rad_s2: float
    jerk_rad_s3: float
    velocity_time_s: float
    acceleration_time_s: float
    jerk_time_s: float


def peak(spec: TrackSpec, points: NDArray[Any], loop: bool) -> Peak:
    """Exact extremes of position, |velocity|, |acceleration| and |jerk| over the whole curve.

    ``points`` as in :class:`~sequencer.motion.model.TrackPlan`. On a span velocity is a parabola and
    position a cubic, so their extremes are at the knots or at the roots of acceleration and velocity
    inside the span.
    """
    c = extend(np.asarray(points), loop).astype(np.float64)
    d1, d2, d3 = np.diff(c), np.diff(c, 2), np.diff(c, 3)
    velocity = (d1[:-1] + d1[1:]) / 2.0  # at knots 0..K
    start_v, start_a = velocity[:-1], d2[:-1]

    safe_j = np.where(d3 == 0.0, 1.0, d3)
    u_v = np.where(d3 == 0.0, 0.0, -start_a / safe_j)
    u_v = np.where((u_v > 0.0) & (u_v < 1.0), u_v, 0.0)
    inner_v = start_v + u_v * (start_a + 0.5 * u_v * d3)
    fastest = np.maximum(np.abs(velocity[:-1]), np.abs(inner_v))
    span_v = int(fastest.argmax())
    speed, time_v = (
        float(fastest[span_v]),
        span_v + (float(u_v[span_v]) if fastest[span_v] > abs(velocity[span_v]) else 0.0),
    )
    if abs(velocity[-1]) > speed:
        speed, time_v = float(abs(velocity[-1])), float(len(d3))

    knots = (c[:-2] + 4.0 * c[1:-1] + c[2:]) / 6.0
    places = [knots]
    for u in _parabola_roots(start_v, start_a, 0.5 * d3):
        inside = (u > 0.0) & (u < 1.0)
        u = np.where(inside, u, 0.0)
        places.append(knots[:-1] + u * (start_v + u * (0.5 * start_a + u * d3 / 6.0)))
    low = min(float(place.min()) for place in places)
    high = max(float(place.max()) for place in places)

    knot_s, per_rad = spec.knot_s, abs(spec.value_per_rad)
    hardest, roughest = int(np.abs(d2).argmax()), int(np.abs(d3).argmax())
    ends_rad = sorted((_radians(spec, low), _radians(spec, high)))
    return Peak(
        min_lsb=low,
        max_lsb=high,
        velocity_lsb=speed,
        acceleration_lsb=float(abs(d2[hardest])),
        jerk_lsb=float(abs(d3[roughest])),
        min_rad=ends_rad[0],
        max_rad=ends_rad[1],
        velocity_rad_s=speed / per_rad / knot_s,
        acceleration_rad_s2=float(abs(d2[hardest])) / per_rad / knot_s**2,
        jerk_rad_s3=float(abs(d3[roughest])) / per_rad / knot_s**3,
        velocity_time_s=time_v * knot_s,
        acceleration_time_s=hardest * knot_s,
        jerk_time_s=roughest * knot_s,
    )


def _parabola_roots(a: Floats, b: Floats, c: Floats) -> tuple[Floats, Floats]:
    """Real roots u of a + b u + c u^2, without cancellation; where there is none, -1."""
    square = b * b - 4.0 * a * c
    half = -0.5 * (b + np.copysign(np.sqrt(np.maximum(square, 0.0)), b))
    none = np.full_like(a, -1.0)
    one = np.divide(half, c, out=none.copy(), where=(square >= 0.0) & (c != 0.0))
    other = np.divide(a, half, out=none, where=(square >= 0.0) & (half != 0.0))
    return one, other


def _radians(spec: TrackSpec, value: float) -> float:
    return (value - spec.value_zero) / spec.value_per_rad


def evaluate_lsb(spec: TrackSpec, points: NDArray[Any], loop: bool, t_s: ArrayLike) -> Floats:
    """The curve in LSB at times ``t_s``; a loop repeats, a rest plan holds its ends."""
    c = extend(np.asarray(points), loop).astype(np.float64)
    spans = len(c) - 3
    knots = np.asarray(t_s, np.float64) / spec.knot_s
    knots = np.mod(knots, spans) if loop else np.clip(knots, 0.0, spans)
    span = np.minimum(knots.astype(np.int64), spans - 1)
    u = knots - span
    value = np.zeros_like(u)
    for power in range(3, -1, -1):
        coefficient = sum(BASIS[j, power] * c[span + j] for j in range(4))
        value = value * u + coefficient
    return value


def evaluate(spec: TrackSpec, points: NDArray[Any], loop: bool, t_s: ArrayLike) -> Floats:
    """The axis angle in rad at times ``t_s`` (shape kept); see :func:`evaluate_lsb`."""
    value: Floats = (evaluate_lsb(spec, points, loop, t_s) - spec.value_zero) / spec.value_per_rad
    return value


def on_grid(spec: TrackSpec, points: NDArray[Any], loop: bool) -> Floats:
    """The axis angle in rad on the 1 ms grid, both ends included; shape (spans * steps + 1,)."""
    c = extend(np.asarray(points), loop).astype(np.float64)
    steps = grid_steps(spec)
    weights = basis(np.arange(steps) / steps)
    windows = np.lib.stride_tricks.sliding_window_view(c, 4)
    last = (c[-3] + 4.0 * c[-2] + c[-1]) / 6.0
    values = np.append((windows @ weights.T).ravel(), last)
    result: Floats = (values - spec.value_zero) / spec.value_per_rad
    return result


def grid_steps(spec: TrackSpec) -> int:
    """Grid intervals in a knot span (a whole number: servo frames are whole milliseconds)."""
    return round(spec.knot_s / GRID_S)


def errors(spec: TrackSpec, points: NDArray[Any], loop: bool, asked_rad: Floats) -> tuple[float, float]:
    """Root mean square and largest error in rad of the curve against ``asked_rad`` (1 ms grid)."""
    difference = on_grid(spec, points, loop) - np.asarray(asked_rad, np.float64)
    return float(np.sqrt(np.mean(difference * difference))), float(np.abs(difference).max())
