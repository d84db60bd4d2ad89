"""Two cranks with push-rods and ball joints that move two axes together about one pivot.

The head turns by R = R_first(angle about its direction) R_second(angle about its own), as in
:class:`~sequencer.figure.physics.Chain`. So where a rod's end is, and each side of the crank's triangle
(see :mod:`.crank`), is linear in the nine products of (1, cos, sin) of both angles: one matrix product
for any number of poses. Inverse in closed form (spatial crank: check-values 4), forward by Newton.
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.figure.crank import Array, nearer_side, wrapped
from sequencer.figure.model import Axis, Crank, Pair

_NEWTON_STEPS = 60
#: Forward is as good as this, radians.
_NEAR_ENOUGH_RAD = 1e-13
_LONGEST_STEP_RAD = 0.4


def lines_meet_m(first: Axis, second: Axis) -> tuple[Array, float]:
    """Where the lines of two axes come nearest to each other, (3,), and how far apart they are there.

    Raises ValueError when they are parallel.
    """
    u, v = np.array(first.direction), np.array(second.direction)
    between = np.array(second.pivot_m) - np.array(first.pivot_m)
    slant = float(u @ v)
    if 1.0 - slant**2 < 1e-6:
        raise ValueError("the axes are parallel")
    along_u = (u @ between - slant * (v @ between)) / (1.0 - slant**2)
    along_v = (slant * (u @ between) - v @ between) / (1.0 - slant**2)
    one, two = np.array(first.pivot_m) + along_u * u, np.array(second.pivot_m) + along_v * v
    return (one + two) / 2.0, float(np.linalg.norm(one - two))


def _turning_parts(direction: tuple[float, float, float]) -> Array:
    """(3, 3, 3): rotation about ``direction`` = parts[0] + cos parts[1] + sin parts[2] (Rodrigues)."""
    x, y, z = direction
    along = np.outer(direction, direction)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.array([along, np.eye(3) - along, cross])


def _ones_cos_sin(angles: Array) -> Array:
    """(n,) -> (n, 3)."""
    return np.stack([np.ones_like(angles), np.cos(angles), np.sin(angles)], axis=1)


def _times(first: Array, second: Array) -> Array:
    """All products of two rows of three, (n, 9)."""
    products: Array = (first[:, :, None] * second[:, None, :]).reshape(-1, 9)
    return products


def _slope(factors: Array) -> Array:
    """(1, cos, sin) -> its derivative (0, -sin, cos)."""
    return np.stack([np.zeros(len(factors)), -factors[:, 2], factors[:, 1]], axis=1)


class Neck:
    """The map between the two servos of a pair and its two axes; servo angle 0 is the servo's centre.

    Raises ValueError for parallel axes.
    """

    def __init__(self, pair: Pair, first: Axis, second: Axis) -> None:
        self.axes = pair.axes
        self.servos = (pair.cranks[0].servo, pair.cranks[1].servo)
        self.pair = pair
        self.home_rad = np.array([first.home_rad, second.home_rad], dtype=float)
        self.pivot_m = lines_meet_m(first, second)[0]
        # (9, 3, 3): the rotation's part for each product of (1, cos, sin) and (1, cos, sin).
        self._parts = np.einsum(
            "aij,bjk->abik", _turning_parts(first.direction), _turning_parts(second.direction)
        ).reshape(9, 3, 3)
        self._arm = np.array([np.array(crank.joint_m) - self.pivot_m for crank in pair.cranks])
        self._base = np.array([self.pivot_m - np.array(crank.pivot_m) for crank in pair.cranks])
        plane = np.array([crank.plane_rad for crank in pair.cranks])
        self._ahead = np.stack([np.cos(plane), np.sin(plane), np.zeros(2)], axis=1)
        self._length = np.array([crank.crank_m for crank in pair.cranks])
        self._rod = np.array([crank.rod_m for crank in pair.cranks])
        self._centre = np.array([crank.at_centre_rad for crank in pair.cranks])
        self._sides = np.array([self._home_side(crank) for crank in pair.cranks])
        # (9, 6): the rod ends' places, from the pivot, for each product.
        self._joints = np.einsum("pij,cj->pci", self._parts, self._arm).reshape(9, 6)
        self._triangle = self._triangle_parts()

    def _home_side(self, crank: Crank) -> float:
        end = np.array(crank.joint_m) - np.array(crank.pivot_m)
        ahead = end[0] * math.cos(crank.plane_rad) + end[1] * math.sin(crank.plane_rad)
        off = -end[0] * math.sin(crank.plane_rad) + end[1] * math.cos(crank.plane_rad)
        return nearer_side(crank.crank_m, crank.rod_m, ahead, end[2], crank.at_centre_rad, off)

    def _triangle_parts(self) -> Array:
        """(9, 6): products -> for both cranks the rod end ahead, above, and what the cosine is made of.

        |end|^2 = |arm|^2 + |base|^2 + 2 base . turned arm, and only the last moves.
        """
        turned = self._joints.reshape(9, 2, 3)
        still = np.zeros((9, 1))
        still[0, 0] = 1.0
        ahead = np.einsum("pci,ci->pc", turned, self._ahead) + still * np.sum(
            self._base * self._ahead, axis=1
        )
        above = turned[:, :, 2] + still * self._base[:, 2]
        fixed = np.sum(self._arm**2, axis=1) + np.sum(self._base**2, axis=1)
        square = 2.0 * np.einsum("pci,ci->pc", turned, self._base) + still * (
            fixed + self._length**2 - self._rod**2
        )
        parts: Array = np.concatenate([ahead, above, square / (2.0 * self._length)], axis=1)
        return parts

    def _factors(self, axis_rad: Array) -> tuple[Array, Array]:
        turned = np.asarray(axis_rad, dtype=float) - self.home_rad
        return _ones_cos_sin(turned[:, 0]), _ones_cos_sin(turned[:, 1])

    def _products(self, axis_rad: Array) -> Array:
        return _times(*self._factors(axis_rad))

    def _reach(self, axis_rad: Array) -> tuple[Array, Array, Array]:
        """Rod ends ahead and above (n, 2), and the cosine between crank and rod end (n, 2)."""
        values = self._products(axis_rad) @ self._triangle
        ahead, above = values[:, 0:2], values[:, 2:4]
        with np.errstate(divide="ignore", invalid="ignore"):
            cosine: Array = values[:, 4:6] / np.hypot(ahead, above)
        return ahead, above, cosine

    def reach(self, axis_rad: Array) -> Array:
        """(n, 2): beyond +-1 the rod of that crank cannot reach; -1 means too far in, +1 too far out."""
        return self._reach(axis_rad)[2]

    def crank_rad(self, axis_rad: Array) -> Array:
        """Angles (n, 2) of the cranks above the horizontal for poses (n, 2); NaN out of reach."""
        ahead, above, cosine = self._reach(axis_rad)
        with np.errstate(invalid="ignore"):
            turned: Array = np.arctan2(above, ahead) + self._sides * np.arccos(cosine)
        return turned

    def servo_rad(self, axis_rad: Array) -> Array:
        """Servo angles (n, 2) for poses (n, 2), in the order of ``axes`` and ``servos``; NaN out of reach."""
        return wrapped(self.crank_rad(axis_rad) - self._centre)

    def tips_m(self, cranks: Array) -> Array:
        """Crank tips (n, 2, 3) in the figure's frame for crank angles (n, 2)."""
        up = np.array([0.0, 0.0, 1.0])
        pivots = np.array([crank.pivot_m for crank in self.pair.cranks])
        out = np.cos(cranks)[:, :, None] * self._ahead + np.sin(cranks)[:, :, None] * up
        tips: Array = pivots + self._length[:, None] * out
        return tips

    def joints_m(self, axis_rad: Array) -> Array:
        """Rod ends on the head (n, 2, 3) in the figure's frame for poses (n, 2)."""
        joints: Array = (self._products(axis_rad) @ self._joints).reshape(-1, 2, 3) + self.pivot_m
        return joints

    def turns(self, axis_rad: Array) -> Array:
        """How the head is turned from home (n, 3, 3), for poses (n, 2)."""
        turned: Array = (self._products(axis_rad) @ self._parts.reshape(9, 9)).reshape(-1, 3, 3)
        return turned

    def _pushes(self, axis_rad: Array, tips: Array) -> tuple[Array, Array]:
        """Rod vectors (n, 2, 3) from tip to head, and their moments about both axes (n, crank, axis).

        A rod's moment about an axis is the rod times the velocity of its end per radian of that axis.
        """
        first, second = self._factors(axis_rad)
        rods = (_times(first, second) @ self._joints).reshape(-1, 2, 3) + (self.pivot_m - tips)
        ways = [
            (products @ self._joints).reshape(-1, 2, 3)
            for products in (_times(_slope(first), second), _times(first, _slope(second)))
        ]
        return rods, np.stack([np.einsum("nci,nci->nc", rods, way) for way in ways], axis=2)

    def jacobian(self, axis_rad: Array) -> Array:
        """d servo / d axis, (n, 2, 2): the rod's moment about an axis over its moment about the crank."""
        cranks = self.crank_rad(axis_rad)
        rods, about = self._pushes(axis_rad, self.tips_m(cranks))
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes: Array = about / self._crank_moments(cranks, rods)[:, :, None]
        return slopes

    def _crank_moments(self, cranks: Array, rods: Array) -> Array:
        """(n, 2): rod vector . tip's velocity per radian."""
        up = np.array([0.0, 0.0, 1.0])
        along = -np.sin(cranks)[:, :, None] * self._ahead + np.cos(cranks)[:, :, None] * up
        moments: Array = self._length * np.einsum("nci,nci->nc", rods, along)
        return moments

    def axis_rad(self, servo_rad: Array, near: Array | None = None) -> Array:
        """Poses (n, 2) for servo angles (n, 2) by Newton from ``near`` (n, 2) or home.

        NaN where the cranks' tips are too far apart or a crank is beyond its toggle.
        """
        cranks = self._centre + np.asarray(servo_rad, dtype=float)
        tips = self.tips_m(cranks)
        pose = np.broadcast_to(self.home_rad if near is None else near, cranks.shape).copy()
        step = np.full(cranks.shape, np.inf)
        for _ in range(_NEWTON_STEPS):
            rods, about = self._pushes(pose, tips)
            missing = (self._rod**2 - np.einsum("nci,nci->nc", rods, rods)) / 2.0
            determinant = about[:, 0, 0] * about[:, 1, 1] - about[:, 0, 1] * about[:, 1, 0]
            with np.errstate(divide="ignore", invalid="ignore"):
                step = (
                    np.stack(
                        [
                            about[:, 1, 1] * missing[:, 0] - about[:, 0, 1] * missing[:, 1],
                            about[:, 0, 0] * missing[:, 1] - about[:, 1, 0] * missing[:, 0],
                        ],
                        axis=1,
                    )
                    / determinant[:, None]
                )
                longest = np.max(np.abs(step), axis=1, keepdims=True)
                step *= np.minimum(1.0, _LONGEST_STEP_RAD / np.maximum(longest, 1e-300))
            pose += step
            if not np.any(np.abs(step) > _NEAR_ENOUGH_RAD):
                break
        # A crank beyond its toggle is a place that the inverse map never leads to.
        lost = ~np.all(np.abs(step) < 1e-9, axis=1)
        rods, _ = self._pushes(pose, tips)
        with np.errstate(invalid="ignore"):
            # The crank stands counterclockwise of the rod's end (side +1) while the rod pulls it back.
            lost |= np.any(self._crank_moments(cranks, rods) * self._sides > 0.0, axis=1)
        pose[lost] = np.nan
        return pose

    def toggle_rad(self, axis_rad: Array) -> Array:
        """Distance from the nearest singular pose, (n,), 0..pi/2; NaN out of reach.

        The least of: each crank against its rod; each rod against the head's axes (its lever over the
        longest there could be); and the angle between what the two rods can do to the head.
        """
        cranks = self.crank_rad(axis_rad)
        rods, about = self._pushes(axis_rad, self.tips_m(cranks))
        with np.errstate(divide="ignore", invalid="ignore"):
            at_cranks = np.abs(self._crank_moments(cranks, rods)) / (self._length * self._rod)
            size = np.linalg.norm(about, axis=2)
            at_head = size / (self._rod * np.linalg.norm(self._arm, axis=1))
            apart = np.abs(about[:, 0, 0] * about[:, 1, 1] - about[:, 0, 1] * about[:, 1, 0]) / (
                size[:, 0] * size[:, 1]
            )
            least = np.min(np.concatenate([at_cranks, at_head, apart[:, None]], axis=1), axis=1)
            away: Array = np.arcsin(np.clip(least, 0.0, 1.0))
        return away
