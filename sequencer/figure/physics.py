"""What the masses mean to an axis: inertia and gravity about its line, at the worst pose.

Axes ride on each other; a mass moves with the axis that carries it and all below. Gravity's torque
about an axis is c + a cos t + b sin t in every single joint angle t, because it is linear in each
rotation; so its worst value is found by climbing in one angle at a time, exactly, from every corner
of the ranges. Inertia also holds double angles and is climbed on a grid.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.masses import about_line
from sequencer.figure.model import Axis, AxisPhysics, Figure, Servo
from sequencer.units import GRAVITY_M_S2

Array = NDArray[np.float64]
#: The share of the stall torque that a DC servo still has at the top speed we allow (half of no-load).
SHARE_AT_SPEED = 0.5
#: Corners of at most this many joints are tried; of the rest, both ends together.
_JOINTS_BY_CORNER = 4
_GRID = 9
#: (pose, joint) -> the best value that joint alone can reach, and the angle where.
_BestIn = Callable[[dict[str, float], str], tuple[float, float]]


def carried(figure: Figure, axis_name: str) -> tuple[str, ...]:
    """The axes that ride on ``axis_name``, itself first."""
    return tuple(name for name in figure.axes if axis_name in below(figure, name))


def below(figure: Figure, axis_name: str) -> tuple[str, ...]:
    """The chain from ``axis_name`` down to the base, itself first."""
    chain: list[str] = []
    current: str | None = axis_name
    while current is not None:
        chain.append(current)
        current = figure.axes[current].carried_by
    return tuple(chain)


def rotation(direction: tuple[float, float, float], angle_rad: float) -> Array:
    """3x3 rotation by ``angle_rad`` about the unit vector ``direction`` (Rodrigues' formula)."""
    x, y, z = direction
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turned: Array = np.eye(3) + math.sin(angle_rad) * cross + (1.0 - math.cos(angle_rad)) * (cross @ cross)
    return turned


@dataclass(frozen=True)
class Body:
    """All masses of one axis as one lump: kg, centre (3,) at home, tensor (3, 3) about the centre."""

    mass_kg: float
    centre_m: Array
    tensor_kg_m2: Array


def body(figure: Figure, axis_name: str) -> Body | None:
    """What is fixed to ``axis_name`` itself, not what rides on it; None when the file tells of nothing."""
    lumps = [mass for mass in figure.masses.values() if mass.carried_by == axis_name]
    total = sum(mass.mass_kg for mass in lumps)
    if not lumps:
        return None
    centre = sum((mass.mass_kg * np.array(mass.centre_m) for mass in lumps), np.zeros(3)) / total
    tensor = np.zeros((3, 3))
    for mass in lumps:
        arm = np.array(mass.centre_m) - centre
        tensor += np.array(mass.inertia_kg_m2) + mass.mass_kg * (arm @ arm * np.eye(3) - np.outer(arm, arm))
    return Body(total, centre, tensor)


class Chain:
    """One axis with what it rides on and what rides on it, ready to be evaluated at many poses."""

    def __init__(self, figure: Figure, axis_name: str) -> None:
        self.figure = figure
        self.axis = figure.axes[axis_name]
        self.riders = carried(figure, axis_name)
        self.carriers = below(figure, axis_name)[1:]
        bodies = ((name, body(figure, name)) for name in self.riders)
        self.bodies = {name: item for name, item in bodies if item is not None}
        # Only joints that move a mass of this chain can matter; carriers first, so that one pass places all.
        moving = {joint for name in self.bodies for joint in below(figure, name)}
        order = (*reversed(self.carriers), *sorted(self.riders, key=lambda name: len(below(figure, name))))
        self.joints = tuple(name for name in order if name in moving)
        self._order = order
        self._pivots = {name: np.array(figure.axes[name].pivot_m) for name in order}

    def _place(self, pose_rad: Mapping[str, float]) -> dict[str, tuple[Array, Array]]:
        """Axis -> (rotation, offset) that carry a point fixed to it from home to ``pose_rad``."""
        placed: dict[str, tuple[Array, Array]] = {}
        for name in self._order:
            axis = self.figure.axes[name]
            pivot = self._pivots[name]
            turn = rotation(axis.direction, pose_rad.get(name, axis.home_rad) - axis.home_rad)
            offset = pivot - turn @ pivot
            if axis.carried_by is not None:
                under_turn, under_offset = placed[axis.carried_by]
                turn, offset = under_turn @ turn, under_turn @ offset + under_offset
            placed[name] = turn, offset
        return placed

    def gravity_n_m(self, pose_rad: Mapping[str, float]) -> float:
        """Torque of gravity about the axis (right hand); axes not named in ``pose_rad`` are at home."""
        placed = self._place(pose_rad)
        turn, offset = placed[self.axis.name]
        direction = turn @ np.array(self.axis.direction)
        pivot = turn @ self._pivots[self.axis.name] + offset
        total = 0.0
        for name, lump in self.bodies.items():
            turn, offset = placed[name]
            arm = turn @ lump.centre_m + offset - pivot
            # direction . (arm x (0, 0, -m g))
            total -= lump.mass_kg * GRAVITY_M_S2 * float(direction[0] * arm[1] - direction[1] * arm[0])
        return total

    def inertia_kg_m2(self, pose_rad: Mapping[str, float]) -> float:
        """Inertia about the axis of all it carries; axes not named in ``pose_rad`` are at home."""
        placed = self._place(pose_rad)
        turn, offset = placed[self.axis.name]
        direction = turn @ np.array(self.axis.direction)
        pivot = turn @ self._pivots[self.axis.name] + offset
        total = 0.0
        for name, lump in self.bodies.items():
            turn, offset = placed[name]
            tensor = turn @ lump.tensor_kg_m2 @ turn.T
            total += about_line(tensor, lump.mass_kg, turn @ lump.centre_m + offset, pivot, direction)
        return total

    def worst_gravity_n_m(self) -> float:
        """Largest |gravity torque| over the ranges of all joints that matter."""
        if not self.bodies:
            return 0.0
        worst = max(_climb(self.figure, self.joints, self._steepest(sign)) for sign in (1.0, -1.0))
        # Less than a milligram at a metre is rounding, as for a turn about the vertical.
        return worst if worst > 1e-8 else 0.0

    def _steepest(self, sign: float) -> _BestIn:
        def best_in(pose: dict[str, float], name: str) -> tuple[float, float]:
            at = [sign * self.gravity_n_m(pose | {name: angle}) for angle in (0.0, math.pi / 2.0, math.pi)]
            middle, cosine = (at[0] + at[2]) / 2.0, (at[0] - at[2]) / 2.0
            sine = at[1] - middle
            low, high = self.figure.axes[name].range_rad
            peak = math.atan2(sine, cosine)
            tries = [low, high]
            tries += [peak + turn for turn in (-math.tau, 0.0, math.tau) if low <= peak + turn <= high]
            return max((middle + cosine * math.cos(t) + sine * math.sin(t), t) for t in tries)

        return best_in

    def worst_inertia_kg_m2(self) -> float:
        """Largest inertia over the ranges of the axes that ride on this one."""
        joints = tuple(name for name in self.joints if name in self.riders and name != self.axis.name)
        if not joints:
            return self.inertia_kg_m2({})

        def best_in(pose: dict[str, float], name: str) -> tuple[float, float]:
            low, high = self.figure.axes[name].range_rad
            tries = [low + (high - low) * step / (_GRID - 1) for step in range(_GRID)]
            return max((self.inertia_kg_m2(pose | {name: angle}), angle) for angle in tries)

        return _climb(self.figure, joints, best_in)


def _starts(figure: Figure, joints: tuple[str, ...]) -> Iterator[dict[str, float]]:
    yield {name: figure.axes[name].home_rad for name in joints}
    free, tied = joints[:_JOINTS_BY_CORNER], joints[_JOINTS_BY_CORNER:]
    for corner in itertools.product((0, 1), repeat=len(free)):
        for end in (0, 1) if tied else (0,):
            pose = {name: figure.axes[name].range_rad[side] for name, side in zip(free, corner, strict=True)}
            yield pose | {name: figure.axes[name].range_rad[end] for name in tied}


def _climb(
    figure: Figure,
    joints: tuple[str, ...],
    best_in: _BestIn,
) -> float:
    """Largest value reached by improving one joint at a time; ``best_in`` gives (value, angle)."""
    best = -math.inf
    for pose in _starts(figure, joints):
        reached = -math.inf
        for _ in range(20):
            value = reached
            for name in joints:
                value, pose[name] = best_in(pose, name)
            if value <= reached + 1e-12 * (1.0 + abs(value)):
                break
            reached = value
        best = max(best, reached, value)
    return best


def voltage_share(figure: Figure, servo: Servo) -> float:
    """Supply voltage over the voltage of the datasheet line, at most 1: more volts are not counted on."""
    return min(1.0, figure.supply.voltage_v / servo.at_v)


def stall_at_axis_n_m(figure: Figure, axis: Axis) -> float:
    """Derated stall torque of the axis's servo at the supply voltage, at the axis."""
    servo = figure.servos[axis.drive.servo]
    return servo.stall_torque_n_m * servo.torque_derating * voltage_share(figure, servo) * axis.drive.ratio


def physics(figure: Figure, axis_name: str) -> AxisPhysics:
    """Inertia, gravity, friction and torque of one axis (see :class:`AxisPhysics`).

    Raises KeyError for an axis the figure does not have.
    """
    axis = figure.axes[axis_name]
    chain = Chain(figure, axis_name)
    gravity = chain.worst_gravity_n_m()
    stall = stall_at_axis_n_m(figure, axis)
    load = gravity + axis.friction_n_m
    return AxisPhysics(
        inertia_kg_m2=chain.worst_inertia_kg_m2(),
        gravity_torque_n_m=gravity,
        friction_torque_n_m=axis.friction_n_m,
        available_torque_n_m=SHARE_AT_SPEED * stall - load,
        torque_margin=1.0 - load / stall,
    )
