"""What the servos behind a linkage's tracks must give along a motion, the other axes moving as told.

In track space: a direct axis is its own track (its servo's line is turned by the ratio), every other
track has its servo's angle. Inertia, gravity, springs, drag and what the other axes' motion adds come
from :class:`.dynamics.Dynamics`; Coulomb friction is told apart, because its sign is the velocity's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sequencer.figure.dynamics import Array, Dynamics, inverse, through
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import DirectDrive, Figure
from sequencer.figure.servo_line import line_at
from sequencer.figure.through import moved_at


@dataclass(frozen=True)
class AxesMotion:
    """Axis -> angle, speed and acceleration at the same n moments, rad and s."""

    q: Mapping[str, Array]
    qd: Mapping[str, Array]
    qdd: Mapping[str, Array]


class TrackLoad:
    """One linkage's tracks (k = 1 or 2) at n moments, while the other axes move as ``axes`` says.

    Angles, speeds and accelerations are (n, k) in track radians, in the order of the linkage's servos.
    """

    stall_n_m: Array
    no_load_rad_s: Array

    def __init__(self, dynamics: Dynamics, linkage: Linkage, axes: AxesMotion) -> None:
        self._dynamics, self._linkage, self._others = dynamics, linkage, axes
        figure = dynamics.figure
        drive = figure.axes[linkage.axes[0]].drive
        self._direct = isinstance(drive, DirectDrive)
        lines = [line_at(figure, figure.servos[name]) for name in linkage.servos]
        ratio = drive.ratio if isinstance(drive, DirectDrive) else 1.0
        self.stall_n_m = np.array([line.stall_n_m * ratio for line in lines])
        self.no_load_rad_s = np.array([line.no_load_rad_s / ratio for line in lines])
        self._friction = np.array([figure.axes[name].friction_n_m for name in linkage.axes])
        self._drag = {name: figure.axes[name].viscous_n_m_s for name in linkage.axes}
        known = [axes.q[name] for name in linkage.axes if name in axes.q]
        homes = np.array([figure.axes[name].home_rad for name in linkage.axes])
        self._near = np.stack(known, axis=1) if known else homes
        self._placed: tuple[Array, Array, Array] | None = None

    def _place(self, angle: Array) -> tuple[Array, Array]:
        """The pose (n, k) of these track angles and d track / d axis there; the last one is remembered."""
        if self._direct:
            return angle, np.ones((len(angle), 1, 1), dtype=np.float64)
        if self._placed is None or self._placed[0] is not angle:
            q = self._linkage.axis_rad(angle, np.broadcast_to(self._near, angle.shape))
            self._placed = angle, q, self._linkage.jacobian(q)
        return self._placed[1:]

    def axes(self, angle: Array, speed: Array, acceleration: Array) -> tuple[Array, Array, Array]:
        """Angles, speeds and accelerations (n, k) of the linkage's axes."""
        if self._direct:
            return angle, speed, acceleration
        q, jacobian = self._place(angle)
        return q, *moved_at(self._linkage, q, jacobian, speed, acceleration)

    def torque(self, angle: Array, speed: Array, acceleration: Array) -> Array:
        """Torque at each track (n, k), N m, without Coulomb friction; NaN where a pose is out of reach."""
        names = self._linkage.axes
        parts = self.axes(angle, speed, acceleration)
        own = [{name: part[:, column] for column, name in enumerate(names)} for part in parts]
        others = self._others
        taken = self._dynamics.axis_torque(
            {**others.q, **own[0]}, {**others.qd, **own[1]}, {**others.qdd, **own[2]}, friction=False
        )
        felt = np.stack([taken[name] + self._drag[name] * own[1][name] for name in names], axis=1)
        return felt if self._direct else through(self._place(angle)[1], felt)

    def coulomb(self, angle: Array, speed: Array, still_rad_s: float) -> tuple[Array, Array]:
        """Least and greatest torque (n, k) that Coulomb friction may take, N m.

        An axis slower than ``still_rad_s`` may be held from either side.
        """
        power = inverse(self._place(angle)[1])
        qd = np.einsum("nas,ns->na", power, speed)
        still = np.abs(qd) <= still_rad_s
        sign = np.where(still, 0.0, np.sign(qd))
        pushed = np.einsum("nas,na->ns", power, self._friction * sign)
        either = np.einsum("nas,na->ns", np.abs(power), self._friction * still)
        return pushed - either, pushed + either


class FigureLoads:
    """The loads of all linkages of a figure, for planning with torque."""

    def __init__(self, figure: Figure) -> None:
        self._dynamics = Dynamics(figure)

    @property
    def linkages(self) -> tuple[Linkage, ...]:
        """Every linkage, direct ones too."""
        return self._dynamics.linkages

    def axes(self, tracks: Mapping[str, tuple[Array, Array, Array]]) -> AxesMotion:
        """How all axes move while every servo's track has this angle, speed and acceleration (n,)."""
        motion: tuple[dict[str, Array], ...] = ({}, {}, {})
        for linkage in self.linkages:
            moving = [
                np.stack([tracks[servo][order] for servo in linkage.servos], axis=1) for order in range(3)
            ]
            moved = TrackLoad(self._dynamics, linkage, AxesMotion({}, {}, {})).axes(*moving)
            for store, values in zip(motion, moved, strict=True):
                store.update({name: values[:, column] for column, name in enumerate(linkage.axes)})
        return AxesMotion(*motion)

    def load(self, linkage: Linkage, axes: AxesMotion) -> TrackLoad:
        """The load of ``linkage`` near this motion of the whole figure, the other axes moving just so."""
        return TrackLoad(self._dynamics, linkage, axes)

    def still(self, linkage: Linkage, q: Mapping[str, Array]) -> TrackLoad:
        """The load of ``linkage`` while the other axes stand at ``q``."""
        return TrackLoad(self._dynamics, linkage, AxesMotion(q, {}, {}))

    def track_rad(self, linkage: Linkage, pose: Array) -> Array:
        """Track angles (n, k) of a linkage's axis angles (n, k)."""
        drive = self._dynamics.figure.axes[linkage.axes[0]].drive
        return pose if isinstance(drive, DirectDrive) else linkage.servo_rad(pose)
