"""Inverse dynamics of the whole head: which torque each axis, and each servo, needs for a motion.

Axes ride on each other as a tree; everything fixed to an axis is one rigid lump (:func:`.chain.body`).
The torque about each axis comes from one pass outward, which carries velocities and accelerations of
the lumps, and one pass inward, which adds their forces up: the recursive Newton-Euler method of any
robotics handbook. Gravity is an upward acceleration of the base. All vectors are in the figure's frame,
so that nothing has to be turned back and forth, and all n states go through together.

Signs: a torque is what the drive must *give*, positive toward positive angles. A head that gravity
pulls toward positive angles needs a negative holding torque.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.chain import Body, below, body, rotations, spring_torque_n_m
from sequencer.figure.linkage import Linkage, linkages
from sequencer.figure.model import Figure
from sequencer.units import GRAVITY_M_S2

Array = NDArray[np.float64]
#: Axis -> one number a state, (n,). Axes that are not named are at home and at rest.
States = Mapping[str, Array]


@dataclass(frozen=True)
class _Joint:
    """One axis as the passes need it; ``under`` is the place of its carrier in the order, or None."""

    name: str
    under: int | None
    direction: Array
    pivot_m: Array
    home_rad: float
    lump: Body | None


class Dynamics:
    """The figure's rigid bodies, ready for n states at once.

    Everywhere ``q``, ``qd``, ``qdd`` map axes to angles in rad, rad/s and rad/s^2, shape (n,) each; axes
    that are left out are at home and at rest. Raises KeyError for an axis the figure does not have.
    """

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self.axes = tuple(figure.axes)
        order = sorted(self.axes, key=lambda name: len(below(figure, name)))
        place = {name: index for index, name in enumerate(order)}
        self._joints = tuple(
            _Joint(
                name=name,
                under=None if (carrier := figure.axes[name].carried_by) is None else place[carrier],
                direction=np.array(figure.axes[name].direction),
                pivot_m=np.array(figure.axes[name].pivot_m),
                home_rad=figure.axes[name].home_rad,
                lump=body(figure, name),
            )
            for name in order
        )

    @cached_property
    def linkages(self) -> tuple[Linkage, ...]:
        """What connects servos and axes; every axis is in exactly one."""
        return linkages(self.figure)

    def axis_torque(self, q: States, qd: States, qdd: States, friction: bool = True) -> dict[str, Array]:
        """Torque that each axis must be given, N m (n,): inertia, gravity, springs and friction.

        Coulomb friction opposes ``qd`` and is nothing at rest (it may then lie anywhere between its
        bounds); ``friction`` = False leaves it and the viscous part out.
        """
        angles, rates, pushes = self._filled(q, qd, qdd)
        torque = self._rigid(angles, rates, pushes, GRAVITY_M_S2)
        for name, axis in self.figure.axes.items():
            torque[name] = torque[name] - spring_torque_n_m(axis.spring, angles[name])
            if friction:
                torque[name] += axis.friction_n_m * np.sign(rates[name]) + axis.viscous_n_m_s * rates[name]
        return torque

    def gravity(self, q: States) -> dict[str, Array]:
        """Torque that holds each axis against gravity alone, N m (n,); springs are not counted."""
        angles, rest, _ = self._filled(q, {}, {})
        return self._rigid(angles, rest, rest, GRAVITY_M_S2)

    def holding(self, q: States) -> dict[str, Array]:
        """Torque that holds each axis still, N m (n,): gravity less what its spring carries."""
        return self.axis_torque(q, {}, {}, friction=False)

    def inertia_matrix(self, q: States) -> Array:
        """Inertia matrices (n, k, k) in kg m^2, rows and columns in the order of ``axes``."""
        angles, _, _ = self._filled(q, {}, {})
        k, count = len(self.axes), len(next(iter(angles.values())))
        many = {name: np.tile(angle, k) for name, angle in angles.items()}
        still = {name: np.zeros(k * count) for name in self.axes}
        unit = {name: np.repeat(np.eye(k)[index], count) for index, name in enumerate(self.axes)}
        columns = self._rigid(many, still, unit, 0.0)
        rows = np.stack([columns[name].reshape(k, count) for name in self.axes])
        matrix: Array = np.ascontiguousarray(rows.transpose(2, 0, 1))
        return matrix

    def servo_torque(self, q: States, qd: States, qdd: States, friction: bool = True) -> dict[str, Array]:
        """Torque that each servo must give at its output, N m (n,).

        NaN where the linkage does not reach the pose.
        """
        return self.at_servos(q, self.axis_torque(q, qd, qdd, friction))

    def at_servos(self, q: States, axis_torque: States) -> dict[str, Array]:
        """The servo torques that give ``axis_torque`` at the pose ``q``.

        Virtual work: what the servos give, tau_s . ds, is what the axes take, tau . dq, for every dq.
        With ds = J dq follows J' tau_s = tau.
        """
        angles, _, _ = self._filled(q, {}, {})
        count = len(next(iter(angles.values())))
        servos: dict[str, Array] = {}
        for linkage in self.linkages:
            pose = np.stack([angles[name] for name in linkage.axes], axis=1)
            needed = np.stack([np.broadcast_to(axis_torque[name], (count,)) for name in linkage.axes], axis=1)
            given = through(linkage.jacobian(pose), needed)
            for index, servo in enumerate(linkage.servos):
                servos[servo] = given[:, index]
        return servos

    def _filled(self, q: States, qd: States, qdd: States) -> tuple[dict[str, Array], ...]:
        given = [*q.items(), *qd.items(), *qdd.items()]
        for name, _ in given:
            if name not in self.figure.axes:
                raise KeyError(name)
        count = max((np.size(values) for _, values in given), default=1)

        def fill(values: States, name: str, missing: float) -> Array:
            return np.broadcast_to(np.asarray(values.get(name, missing), dtype=float), (count,))

        homes = {name: axis.home_rad for name, axis in self.figure.axes.items()}
        return (
            {name: fill(q, name, homes[name]) for name in self.axes},
            {name: fill(qd, name, 0.0) for name in self.axes},
            {name: fill(qdd, name, 0.0) for name in self.axes},
        )

    def _rigid(self, q: States, qd: States, qdd: States, gravity_m_s2: float) -> dict[str, Array]:
        """Newton-Euler over the tree: torque of inertia and gravity about each axis, (n,)."""
        count = len(next(iter(q.values()))) if q else 0
        upward = np.broadcast_to([0.0, 0.0, gravity_m_s2], (count, 3))
        moving: list[_Moving] = []
        for joint in self._joints:
            under = moving[joint.under] if joint.under is not None else _base(count, upward)
            moving.append(_outward(joint, under, q[joint.name], qd[joint.name], qdd[joint.name]))
        torque: dict[str, Array] = {}
        for joint, state in zip(reversed(self._joints), reversed(moving), strict=True):
            torque[joint.name] = np.einsum("ni,ni->n", state.direction, state.moment)
            if joint.under is not None:
                under = moving[joint.under]
                under.force = under.force + state.force
                arm = state.pivot_m - under.pivot_m
                under.moment = under.moment + state.moment + np.cross(arm, state.force)
        return torque


@dataclass
class _Moving:
    """One axis in motion, (n, 3) or (n, 3, 3) each: where it is, how it moves, what moves it.

    ``force`` and ``moment`` (about the pivot) are what the lump and all that rides on it need.
    """

    turn: Array
    offset_m: Array
    direction: Array
    pivot_m: Array
    spin: Array
    spin_rate: Array
    push: Array
    force: Array
    moment: Array


def _base(count: int, upward: Array) -> _Moving:
    """What carries the first axis: still, but accelerated upward, which is what gravity feels like."""
    none = np.zeros((count, 3))
    eye = np.broadcast_to(np.eye(3), (count, 3, 3))
    return _Moving(eye, none, none, none, none, none, upward, none, none)


def _outward(joint: _Joint, under: _Moving, q: Array, qd: Array, qdd: Array) -> _Moving:
    """One axis from its carrier: pose, velocities, accelerations, and what its own lump needs."""
    own = rotations((joint.direction[0], joint.direction[1], joint.direction[2]), q - joint.home_rad)
    turn = under.turn @ own
    pivot = under.turn @ joint.pivot_m + under.offset_m
    offset = pivot - turn @ joint.pivot_m
    direction = under.turn @ joint.direction
    spin = under.spin + direction * qd[:, None]
    spin_rate = under.spin_rate + direction * qdd[:, None] + np.cross(under.spin, direction * qd[:, None])
    push = under.push + _swung(under.spin, under.spin_rate, pivot - under.pivot_m)
    force = moment = np.zeros_like(pivot)
    if joint.lump is not None:
        arm = turn @ joint.lump.centre_m + offset - pivot
        force = joint.lump.mass_kg * (push + _swung(spin, spin_rate, arm))
        tensor = turn @ joint.lump.tensor_kg_m2 @ turn.transpose(0, 2, 1)
        gyro = np.cross(spin, np.einsum("nij,nj->ni", tensor, spin))
        moment = np.einsum("nij,nj->ni", tensor, spin_rate) + gyro + np.cross(arm, force)
    return _Moving(turn, offset, direction, pivot, spin, spin_rate, push, force, moment)


def _swung(spin: Array, spin_rate: Array, arm: Array) -> Array:
    """Acceleration of a point at ``arm`` on a turning body, relative to where the arm begins."""
    return np.cross(spin_rate, arm) + np.cross(spin, np.cross(spin, arm))


def inverse(matrices: Array) -> Array:
    """Inverses of (n, k, k) matrices, NaN where one is not finite or singular (a linkage at its toggle)."""
    with np.errstate(invalid="ignore"):
        usable = np.isfinite(matrices).all(axis=(1, 2), keepdims=True)
        eye = np.eye(matrices.shape[1])
        usable = usable & (np.abs(np.linalg.det(np.where(usable, matrices, eye))) > 0.0)[:, None, None]
    found: Array = np.where(usable, np.linalg.inv(np.where(usable, matrices, eye)), np.nan)
    return found


def through(jacobian: Array, axis_torque: Array) -> Array:
    """Servo torques (n, k) for axis torques (n, k) with J = d servo / d axis (n, k, k): J' tau_s = tau."""
    given: Array = np.einsum("nas,na->ns", inverse(jacobian), axis_torque)
    return given
