"""What axes behind linkages do while tracks play: angles and exact derivatives on the 1 ms grid.

The served spline s(t) is known with its derivatives; the pose q(t) follows by forward kinematics. With
J = d servo / d axis: s' = J q', s'' = J q'' + J' q', s''' = J q''' + 2 J' q'' + J'' q', each solved for the
highest derivative of q. J' and J'' are differences of J along the path.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import ImageError
from sequencer.figure.linkage import Linkage
from sequencer.motion.model import TrackSpec
from sequencer.motion.peak import grid_steps
from sequencer.motion.spline import BASIS, extend
from sequencer.timeline.model import GRID_S

Array = NDArray[np.float64]

#: How far along the path J is looked at, seconds: its cube costs accuracy, its square takes rounding.
_ASIDE_S = 2e-4


@dataclass(frozen=True)
class Extremes:
    """The largest absolute derivatives of one axis over a scene and when, rad and s."""

    velocity_rad_s: float
    acceleration_rad_s2: float
    jerk_rad_s3: float
    velocity_time_s: float
    acceleration_time_s: float
    jerk_time_s: float


@dataclass(frozen=True)
class LinkedMotion:
    """Axes of one linkage: ``angle_rad`` (n,) on the 1 ms grid, both ends included, and the extremes."""

    angle_rad: Mapping[str, Array]
    extremes: Mapping[str, Extremes]


def _derivatives(spec: TrackSpec, points: NDArray[np.int64], loop: bool, steps: int) -> Array:
    """Track angle and three derivatives, (4, spans, steps + 1): a knot is seen from both its spans."""
    windows = np.lib.stride_tricks.sliding_window_view(extend(np.asarray(points), loop).astype(np.float64), 4)
    u = np.linspace(0.0, 1.0, steps + 1)
    found = np.empty((4, len(windows), steps + 1))
    coefficients = BASIS
    for order in range(4):
        powers = np.stack([u**power for power in range(coefficients.shape[1])])
        found[order] = windows @ coefficients @ powers / spec.value_per_rad / spec.knot_s**order
        coefficients = coefficients[:, 1:] * np.arange(1, coefficients.shape[1])
    found[0] -= spec.value_zero / spec.value_per_rad
    return found


def linked_motion(
    linkage: Linkage,
    tracks: Sequence[TrackSpec],
    points: Sequence[NDArray[np.int64]],
    loop: bool,
    home_rad: Sequence[float],
) -> LinkedMotion:
    """What the axes of ``linkage`` do while its tracks (in its servos' order) play ``points``.

    Jerk jumps at knots and is looked at from both sides. ``home_rad`` says which closure is meant.

    Raises:
        ImageError: the linkage cannot be where the tracks send it.
    """
    steps = grid_steps(tracks[0])
    served = np.stack(
        [_derivatives(spec, c, loop, steps) for spec, c in zip(tracks, points, strict=True)], axis=-1
    )
    spans = served.shape[1]
    s0, s1, s2, s3 = served.reshape(4, -1, len(tracks))
    q = linkage.axis_rad(s0, np.broadcast_to(np.asarray(home_rad, np.float64), s0.shape))
    if not np.isfinite(q).all():
        raise ImageError(f"{' and '.join(linkage.axes)}: the tracks leave what the linkage can reach")
    jacobian = linkage.jacobian(q)
    q1 = _solved(jacobian, s1)
    ahead, behind = (linkage.jacobian(q + side * _ASIDE_S * q1) for side in (1.0, -1.0))
    turning = _known((ahead - behind) / (2.0 * _ASIDE_S))
    q2 = _solved(jacobian, s2 - _times(turning, q1))
    bend = 0.5 * _ASIDE_S**2 * q2
    ahead, behind = (linkage.jacobian(q + side * _ASIDE_S * q1 + bend) for side in (1.0, -1.0))
    bending = _known((ahead - 2.0 * jacobian + behind) / _ASIDE_S**2)
    q3 = _solved(jacobian, s3 - 2.0 * _times(turning, q2) - _times(bending, q1))

    times = (np.arange(spans)[:, None] * steps + np.arange(steps + 1)).ravel() * GRID_S
    last = q.reshape(spans, steps + 1, -1)
    grid = np.concatenate([last[:, :-1].reshape(-1, len(linkage.axes)), last[-1, -1:]])
    extremes = {}
    for column, axis in enumerate(linkage.axes):
        values = [np.abs(each[:, column]) for each in (q1, q2, q3)]
        at = [int(value.argmax()) for value in values]
        sizes = [float(value[place]) for value, place in zip(values, at, strict=True)]
        moments = [float(times[place]) for place in at]
        extremes[axis] = Extremes(*sizes, *moments)
    return LinkedMotion({axis: grid[:, column] for column, axis in enumerate(linkage.axes)}, extremes)


def _known(matrices: Array) -> Array:
    """At the very end of what is reachable J may not be known ahead; nothing moves there."""
    return np.nan_to_num(matrices, nan=0.0)


def _times(matrices: Array, vectors: Array) -> Array:
    product: Array = np.einsum("nij,nj->ni", matrices, vectors)
    return product


def _solved(matrices: Array, right: Array) -> Array:
    return np.asarray(np.linalg.solve(matrices, right[..., None])[..., 0], np.float64)
