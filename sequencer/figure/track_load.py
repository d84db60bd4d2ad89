"""What the servos behind a linkage's tracks must give along a motion, the other axes moving as told.

In track space: a direct axis is its own track (its servo's line is turned by the ratio), every other
track has its servo's angle. Inertia, gravity, springs, drag and what the other axes' motion adds come
from :class:`.dynamics.Dynamics`; Coulomb friction is told apart, because its sign is the velocity's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sequencer.figure.dynamics import Array, Dynamics, through
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import DirectDrive, Figure
from sequencer.figure.servo_line import line_at
from sequencer.figure.through import through_linkage


@dataclass(frozen=True)
class AxesMotion:
    """Axis -> angle, speed and acceleration at the same n moments, rad and s."""

    q: Mapping[str, Array]
    qd: Mapping[str, Array]
    qdd: Mapping[str, Array]


class TrackLoad:
    """One linkage's tracks (k = 1 or 2) at n moments; ``others`` is how all other axes move there.

    Angles, speeds and accelerations are (n, k) in track radians, in the order of the linkage's servos.
    """

    def __init__(self, dynamics: Dynamics, linkage: Linkage, others: AxesMotion) -> None:
        self._dynamics, self._linkage, self._others = dynamics, linkage, others
        figure = dynamics.figure
        drive = figure.axes[linkage.axes[0]].drive
        self._ratio = drive.ratio if isinstance(drive, DirectDrive) else None
        lines = [line_at(figure, figure.servos[name]) for name in linkage.servos]
        by = 1.0 if self._ratio is None else self._ratio
        self.stall_n_m: Array = np.array([line.stall_n_m * by for line in lines])
        self.no_load_rad_s: Array = np.array([line.no_load_rad_s / by for line in lines])
        self._friction = np.array([figure.axes[name].friction_n_m for name in linkage.axes])
        self._drag = {name: figure.axes[name].viscous_n_m_s for name in linkage.axes}
        self._home = np.array([figure.axes[name].home_rad for name in linkage.axes])

    def axes(self, angle: Array, speed: Array, acceleration: Array) -> tuple[Array, Array, Array]:
        """Angles, speeds and accelerations (n, k) of the linkage's axes."""
        if self._ratio is not None:
            return angle, speed, acceleration
        near = np.broadcast_to(self._home, angle.shape)
        return through_linkage(self._linkage, angle, speed, acceleration, near)

    def torque(self, angle: Array, speed: Array, acceleration: Array) -> Array:
        """Torque at each track (n, k), N m, without Coulomb friction; NaN where a pose is out of reach."""
        parts = self.axes(angle, speed, acceleration)
        names = self._linkage.axes
        own = [{name: part[:, column] for column, name in enumerate(names)} for part in parts]
        others = self._others
        taken = self._dynamics.axis_torque(
            {**others.q, **own[0]}, {**others.qd, **own[1]}, {**others.qdd, **own[2]}, friction=False
        )
        felt = np.stack([taken[name] + self._drag[name] * own[1][name] for name in names], axis=1)
        return felt if self._ratio is not None else through(self._linkage.jacobian(parts[0]), felt)

    def coulomb(self, angle: Array, speed: Array, still_rad_s: float) -> tuple[Array, Array]:
        """Least and greatest torque (n, k) that Coulomb friction may take, N m.

        An axis slower than ``still_rad_s`` may be held from either side.
        """
        if self._ratio is not None:
            qd, share = speed, np.ones((len(angle), 1, 1))
        else:
            q, qd, _ = self.axes(angle, speed, np.zeros_like(speed))
            share = np.linalg.inv(self._linkage.jacobian(q)).transpose(0, 2, 1)
        still = np.abs(qd) <= still_rad_s
        sign = np.where(still, 0.0, np.sign(qd))
        pushed = np.einsum("nsa,na->ns", share, self._friction * sign)
        either = np.einsum("nsa,na->ns", np.abs(share), self._friction * still)
        return pushed - either, pushed + either


class FigureLoads:
    """The loads of all linkages of a figure, for planning with torque."""

    def __init__(self, figure: Figure) -> None:
        self._dynamics = Dynamics(figure)
        self.linkages = self._dynamics.linkages

    def load(self, linkage: Linkage, tracks: Mapping[str, tuple[Array, Array, Array]]) -> TrackLoad:
        """The load of ``linkage`` while all others move as their ``tracks`` do.

        ``tracks`` maps every servo to its track's angle, speed and acceleration at the same n moments.
        """
        q: dict[str, Array] = {}
        qd: dict[str, Array] = {}
        qdd: dict[str, Array] = {}
        nobody = AxesMotion({}, {}, {})
        for other in self.linkages:
            if other.servos == linkage.servos:
                continue
            stacked = [
                np.stack([tracks[servo][order] for servo in other.servos], axis=1) for order in range(3)
            ]
            moved = TrackLoad(self._dynamics, other, nobody).axes(stacked[0], stacked[1], stacked[2])
            for store, values in zip((q, qd, qdd), moved, strict=True):
                store.update({name: values[:, column] for column, name in enumerate(other.axes)})
        return TrackLoad(self._dynamics, linkage, AxesMotion(q, qd, qdd))
