"""What the masses mean to one axis alone: inertia and gravity about its line, at the worst pose.

Axes ride on each other; a mass moves with the axis that carries it and all below. Gravity's torque
about an axis is c + a cos t + b sin t in every single joint angle t, because it is linear in each
rotation; so its worst value is found by climbing in one angle at a time, exactly, from many starts
spread over the ranges. A spring on the axis adds a straight line in its own angle, which moves the
peaks in closed form too. Inertia also holds double angles and is climbed on a grid.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.masses import about_line
from sequencer.figure.model import Figure, Spring
from sequencer.units import GRAVITY_M_S2

Array = NDArray[np.float64]
#: Starts are spread over this many joints one by one; the rest go together.
_JOINTS_ONE_BY_ONE = 4
_GRID = 33
_SWEEPS = 20
#: Joint -> its angles at n poses, (n,).
_Poses = Mapping[str, Array]
#: (poses, joint) -> the best value that joint alone can reach from each pose, and the angle where.
_BestIn = Callable[[_Poses, str], tuple[Array, Array]]


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


def rotations(direction: tuple[float, float, float], angles_rad: Array) -> Array:
    """(n, 3, 3) rotations by ``angles_rad`` (n,) about the unit vector ``direction`` (Rodrigues' formula)."""
    x, y, z = direction
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    sines, rest = np.sin(angles_rad)[:, None, None], 1.0 - np.cos(angles_rad)[:, None, None]
    turned: Array = np.eye(3) + sines * cross + rest * (cross @ cross)
    return turned


def spring_torque_n_m(spring: Spring | None, angle_rad: Array) -> Array:
    """What a spring gives toward positive angles at ``angle_rad`` (n,); nothing when there is none."""
    if spring is None:
        return np.zeros_like(angle_rad)
    return spring.torque_n_m - spring.rate_n_m_rad * (angle_rad - spring.at_rad)


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
    """One axis with what it rides on and what rides on it, ready to be evaluated at many poses at once."""

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

    def _place(self, poses: _Poses, count: int) -> dict[str, tuple[Array, Array]]:
        """Axis -> rotations (n, 3, 3), offsets (n, 3): they carry its points from home to the poses."""
        placed: dict[str, tuple[Array, Array]] = {}
        for name in self._order:
            axis = self.figure.axes[name]
            pivot = np.array(axis.pivot_m)
            turned = poses[name] - axis.home_rad if name in poses else np.zeros(count)
            turn = rotations(axis.direction, turned)
            offset = pivot - turn @ pivot
            if axis.carried_by is not None:
                under_turn, under_offset = placed[axis.carried_by]
                offset = (under_turn @ offset[:, :, None])[:, :, 0] + under_offset
                turn = under_turn @ turn
            placed[name] = turn, offset
        return placed

    def _line(self, poses: _Poses) -> tuple[dict[str, tuple[Array, Array]], Array, Array]:
        """What :meth:`_place` gives at n poses; direction and pivot of the axis there, (n, 3)."""
        placed = self._place(poses, len(next(iter(poses.values()))))
        turn, offset = placed[self.axis.name]
        return placed, turn @ np.array(self.axis.direction), turn @ np.array(self.axis.pivot_m) + offset

    def _gravity(self, poses: _Poses) -> Array:
        """Torque of gravity about the axis (right hand) at n poses, (n,)."""
        placed, direction, pivot = self._line(poses)
        total = np.zeros(len(direction))
        for name, lump in self.bodies.items():
            turn, offset = placed[name]
            arm = turn @ lump.centre_m + offset - pivot
            # direction . (arm x (0, 0, -m g))
            lever = direction[:, 0] * arm[:, 1] - direction[:, 1] * arm[:, 0]
            total -= lump.mass_kg * GRAVITY_M_S2 * lever
        return total

    def _inertia(self, poses: _Poses) -> Array:
        """Inertia about the axis of all it carries at n poses, (n,)."""
        placed, direction, pivot = self._line(poses)
        total = np.zeros(len(direction))
        for name, lump in self.bodies.items():
            turn, offset = placed[name]
            # The line as the lump sees it, so that its tensor needs no turning.
            back = turn.transpose(0, 2, 1)
            arm = (back @ (turn @ lump.centre_m + offset - pivot)[:, :, None])[:, :, 0]
            seen = (back @ direction[:, :, None])[:, :, 0]
            total += about_line(lump.tensor_kg_m2, lump.mass_kg, arm, seen)
        return total

    def gravity_n_m(self, pose_rad: Mapping[str, float]) -> float:
        """Torque of gravity about the axis (right hand); axes not named in ``pose_rad`` are at home."""
        return float(self._gravity(self._single(pose_rad))[0])

    def inertia_kg_m2(self, pose_rad: Mapping[str, float]) -> float:
        """Inertia about the axis of all it carries; axes not named in ``pose_rad`` are at home."""
        return float(self._inertia(self._single(pose_rad))[0])

    def _single(self, pose_rad: Mapping[str, float]) -> _Poses:
        at_home = {self.axis.name: self.axis.home_rad}
        return {name: np.array([angle]) for name, angle in (at_home | dict(pose_rad)).items()}

    def worst_gravity_n_m(self) -> float:
        """Largest |torque of gravity and the axis's spring| over the ranges of all joints that matter."""
        least, greatest = self.holding_range_n_m()
        return max(-least, greatest, 0.0)

    def holding_range_n_m(self) -> tuple[float, float]:
        """Least and greatest torque that holds the axis still, toward positive angles, over the ranges."""
        joints = self.joints
        if self.axis.spring is not None and self.axis.name not in joints:
            joints = (*joints, self.axis.name)
        if not joints:
            return 0.0, 0.0
        # What is held is what gravity and spring give, the other way.
        ends = -self._climb(joints, self._steepest(1.0)), self._climb(joints, self._steepest(-1.0))
        # Less than a milligram at a metre is rounding, as for a turn about the vertical.
        least, greatest = (end if abs(end) > 1e-8 else 0.0 for end in ends)
        return least, greatest

    def _steepest(self, sign: float) -> _BestIn:
        def best_in(poses: _Poses, name: str) -> tuple[Array, Array]:
            count = len(poses[name])
            many = {joint: np.tile(angles, 3) for joint, angles in poses.items()}
            many[name] = np.repeat([0.0, math.pi / 2.0, math.pi], count)
            at = sign * self._gravity(many).reshape(3, count)
            middle, cosine = (at[0] + at[2]) / 2.0, (at[0] - at[2]) / 2.0
            sine = at[1] - middle
            low, high = self.figure.axes[name].range_rad
            own = name == self.axis.name and self.axis.spring is not None
            rate = self.axis.spring.rate_n_m_rad if own and self.axis.spring is not None else 0.0
            # Stationary where size * sin(peak - t) = sign * rate.
            peak, size = np.arctan2(sine, cosine), np.hypot(sine, cosine)
            lean = np.arcsin(np.clip(sign * rate / np.maximum(size, 1e-300), -1.0, 1.0))
            turns = (-math.tau, 0.0, math.tau)
            bends = [at + turn for at in (peak - lean, peak - math.pi + lean) for turn in turns]
            tries = np.array([np.full(count, low), np.full(count, high), *bends])
            values = middle + cosine * np.cos(tries) + sine * np.sin(tries)
            at_own = tries if own else poses.get(self.axis.name, np.full(count, self.axis.home_rad))
            values = values + sign * spring_torque_n_m(self.axis.spring, at_own)
            values[(tries < low) | (tries > high)] = -np.inf
            best = values.argmax(axis=0), np.arange(count)
            return values[best], tries[best]

        return best_in

    def worst_inertia_kg_m2(self) -> float:
        """Largest inertia over the ranges of the axes that ride on this one."""
        joints = tuple(name for name in self.joints if name in self.riders and name != self.axis.name)
        if not joints:
            return self.inertia_kg_m2({})

        def best_in(poses: _Poses, name: str) -> tuple[Array, Array]:
            count = len(poses[name])
            low, high = self.figure.axes[name].range_rad
            many = {joint: np.tile(angles, _GRID) for joint, angles in poses.items()}
            many[name] = np.repeat(np.linspace(low, high, _GRID), count)
            values = self._inertia(many).reshape(_GRID, count)
            best = values.argmax(axis=0), np.arange(count)
            return values[best], many[name].reshape(_GRID, count)[best]

        return self._climb(joints, best_in)

    def _climb(self, joints: tuple[str, ...], best_in: _BestIn) -> float:
        """Largest value reached from all starts by improving one joint at a time."""
        poses = self._starts(joints)
        best = -math.inf
        for _ in range(_SWEEPS):
            for name in joints:
                values, poses[name] = best_in(poses, name)
            reached = float(values.max())
            if reached <= best + 1e-12 * (1.0 + abs(best)):
                break
            best = reached
        return max(best, reached)

    def _starts(self, joints: tuple[str, ...]) -> dict[str, Array]:
        """Home, and every combination of both ends and the middle of the ranges (of the first joints).

        The joints after the first few go together, or the number of starts would explode.
        """
        rows = [[self.figure.axes[name].home_rad for name in joints]]
        levels = (0.0, 0.5, 1.0)
        free = min(len(joints), _JOINTS_ONE_BY_ONE)
        for shares in itertools.product(levels, repeat=free + (free < len(joints))):
            spread = [*shares[:free], *([shares[-1]] * (len(joints) - free))]
            ranges = [self.figure.axes[name].range_rad for name in joints]
            rows.append([low + (high - low) * at for (low, high), at in zip(ranges, spread, strict=True)])
        return dict(zip(joints, np.array(rows).T.copy(), strict=True))
