"""Limits of servos seen from the axes of their linkage, both ways.

With s(q) the servo angles of a pose and q(s) its inverse, along any motion

    s'   = J q'
    s''  = J q'' + H q' q'
    s''' = J q''' + 3 H q'' q' + T q' q' q'

and the same with the roles exchanged (chain rule). *Inner* limits of an axis: a move by the default law
or a sway within them, by this axis alone, asks no servo for more than its limits, at any pose. *Outer*
limits: no motion whose servos keep their limits is faster. For a direct axis both are the servo's over
the ratio. Derivatives beyond the Jacobian are its central differences; poses are sampled over the ranges.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.dynamics import inverse
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Figure
from sequencer.figure.torque import own_poses

Array = NDArray[np.float64]
#: Steps of the first and the second difference, radians: rounding and curvature both stay below 1e-6.
_STEP = 1e-4
_LONG_STEP = 2e-3
_GRID = 25
_U = np.linspace(0.0, 1.0, 25)
#: Points of a move: velocity, acceleration and jerk as shares of their peaks, (n, 3). The 3-4-5 law, whose
#: peaks are 1.875, 10/sqrt(3) and 60, and a sway; slow ones too, because terms may cancel at full speed.
_SHAPES = np.concatenate(
    [
        np.array([slower * v, slower * a, j]).T
        for slower in (0.25, 0.5, 0.75, 1.0)
        for v, a, j in (
            (
                30.0 * _U**2 * (1.0 - _U) ** 2 / 1.875,
                60.0 * _U * (1.0 - _U) * (1.0 - 2.0 * _U) * math.sqrt(3.0) / 10.0,
                1.0 - 6.0 * _U * (1.0 - _U),
            ),
            (np.cos(math.tau * _U), -np.sin(math.tau * _U), -np.cos(math.tau * _U)),
        )
    ]
)
#: What may hide between the samples, and in the differences.
_MARGIN = 1.01


class Numbers(NamedTuple):
    """Velocity, acceleration and jerk in rad and s."""

    velocity: float
    acceleration: float
    jerk: float


def inner(figure: Figure, linkage: Linkage, axis_name: str, servos: Sequence[Numbers]) -> Numbers:
    """What the axis may be asked for while the others of its linkage rest; ``servos`` in linkage order.

    Where the ratio changes over the range, the servo's acceleration also has to change the ratio; then
    the whole motion is slowed (velocity by r, acceleration by r^2, jerk by r^3) until both fit. Velocity,
    acceleration and jerk do not peak together: what meets what is taken from the default law and a sway.
    """
    index = linkage.axes.index(axis_name)
    poses = _inside(figure, linkage)
    along = np.eye(len(linkage.axes))[index]

    def column(shift: float) -> Array:
        return linkage.jacobian(poses + shift * along)[:, :, index]

    first = column(0.0)
    second = (column(_STEP) - column(-_STEP)) / (2.0 * _STEP)
    third = (column(_LONG_STEP) - 2.0 * first + column(-_LONG_STEP)) / _LONG_STEP**2
    bounds = np.array(servos)
    with np.errstate(divide="ignore"):
        v, a, j = (float((bounds[:, m] / np.abs(first)).min()) for m in range(3))
    slow = 1.0
    for x, y, z in np.concatenate([_SHAPES, -_SHAPES]) * (v, a, j):
        pushes = np.abs(first * y + second * x**2) / bounds[:, 1]
        jerks = np.abs(first * z + 3.0 * second * x * y + third * x**3) / bounds[:, 2]
        slow = min(
            slow, max(1.0, float(pushes.max())) ** (-1.0 / 2.0), max(1.0, float(jerks.max())) ** (-1.0 / 3.0)
        )
    if np.abs(second).max() > 1e-9:
        slow /= _MARGIN
    return Numbers(v * slow, a * slow**2, j * slow**3)


def outer(figure: Figure, linkage: Linkage, axis_name: str, servos: Sequence[Numbers]) -> Numbers:
    """What the axis can never exceed while every servo of its linkage keeps its limits."""
    index = linkage.axes.index(axis_name)
    poses = _inside(figure, linkage)

    def power(at: Array) -> Array:
        """(n, k servos): the axis's speed per servo speed."""
        return inverse(linkage.jacobian(at))[:, index]

    first = power(poses)
    second = _by_servo(linkage, power, _STEP)(poses)
    third = _by_servo(linkage, _by_servo(linkage, power, _STEP), _LONG_STEP)(poses)
    v, a, j = np.array(servos).T
    margin = _MARGIN if np.abs(second).max() > 1e-9 else 1.0
    velocity = np.abs(first) @ v
    acceleration = np.abs(first) @ a + np.einsum("njl,j,l->n", np.abs(second), v, v)
    jerk = (
        np.abs(first) @ j
        + 3.0 * np.einsum("njl,j,l->n", np.abs(second), a, v)
        + np.einsum("njlp,j,l,p->n", np.abs(third), v, v, v)
    )
    return Numbers(*(margin * float(size.max()) for size in (velocity, acceleration, jerk)))


def _by_servo(linkage: Linkage, of: Callable[[Array], Array], step: float) -> Callable[[Array], Array]:
    """The derivative of ``of`` (poses -> (n, ...)) by each servo angle, (n, ..., k)."""

    def derived(at: Array) -> Array:
        by_axis = []
        for unit in np.eye(len(linkage.axes)):
            by_axis.append((of(at + step * unit) - of(at - step * unit)) / (2.0 * step))
        # d/ds = sum over axes of d/dq dq/ds
        back = inverse(linkage.jacobian(at))
        by_servo: Array = np.einsum("n...m,nml->n...l", np.stack(by_axis, axis=-1), back)
        return by_servo

    return derived


def _inside(figure: Figure, linkage: Linkage) -> Array:
    """Sampled poses, drawn in from the ends so that no difference looks beyond the ranges."""
    poses = own_poses(figure, linkage, _GRID)
    room = _STEP + _LONG_STEP
    ranges = np.array([figure.axes[name].range_rad for name in linkage.axes])
    middle = ranges.mean(axis=1)
    room_by_axis = np.minimum(room, np.abs(ranges[:, 1] - ranges[:, 0]) / 4.0)
    drawn: Array = np.clip(poses, ranges[:, 0] + room_by_axis, ranges[:, 1] - room_by_axis)
    sound: Array = drawn if len(drawn) else middle[None, :]
    return sound
