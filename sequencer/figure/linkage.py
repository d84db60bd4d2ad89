"""Between what scenes move and what servos turn: the figure's linkages, each a map of one or two angles."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from sequencer.figure.crank import Array
from sequencer.figure.fourbar import FourBar
from sequencer.figure.model import DirectDrive, Figure, FourBarDrive
from sequencer.figure.neck import Neck


class Linkage(Protocol):
    """A map between k axes and k servos (k is 1 or 2); all angles in radians, a row a pose.

    Servo angles are 0 at the servo's centre. ``axes`` and ``servos`` give the order of the columns.
    """

    @property
    def axes(self) -> tuple[str, ...]:
        """The axes, in the order of the columns."""
        ...

    @property
    def servos(self) -> tuple[str, ...]:
        """The servos, in the order of the columns."""
        ...

    def servo_rad(self, axis_rad: Array) -> Array:
        """Servo angles (n, k) for axis angles (n, k), in closed form; NaN where it cannot be closed."""
        ...

    def axis_rad(self, servo_rad: Array, near: Array | None = None) -> Array:
        """Axis angles (n, k) for servo angles (n, k), the pose nearest to ``near`` or home; NaN if none."""
        ...

    def jacobian(self, axis_rad: Array) -> Array:
        """d servo / d axis, (n, k servos, k axes)."""
        ...

    def toggle_rad(self, axis_rad: Array) -> Array:
        """Distance from the nearest singular pose, (n,), 0..pi/2 (square is best); NaN beyond it."""
        ...


class Direct:
    """Servo angle = ratio times axis angle."""

    def __init__(self, axis: str, drive: DirectDrive) -> None:
        self.axes = (axis,)
        self.servos = (drive.servo,)
        self._ratio = drive.ratio

    def servo_rad(self, axis_rad: Array) -> Array:
        """(n, 1) -> (n, 1)."""
        return np.asarray(axis_rad, dtype=float) * self._ratio

    def axis_rad(self, servo_rad: Array, near: Array | None = None) -> Array:  # noqa: ARG002 - a linkage's shape
        """(n, 1) -> (n, 1)."""
        return np.asarray(servo_rad, dtype=float) / self._ratio

    def jacobian(self, axis_rad: Array) -> Array:
        """The ratio, (n, 1, 1)."""
        return np.full((len(axis_rad), 1, 1), self._ratio)

    def toggle_rad(self, axis_rad: Array) -> Array:
        """Never near: pi/2, (n,)."""
        return np.full(len(axis_rad), np.pi / 2.0)


def linkages(figure: Figure) -> tuple[Linkage, ...]:
    """Every axis in exactly one linkage, in the order in which the file names their (first) axes.

    Raises ValueError for a pair whose axes are parallel, which reading a file refuses before.
    """
    found: list[Linkage] = []
    done: set[str] = set()
    for name, axis in figure.axes.items():
        if name in done:
            continue
        drive = axis.drive
        if isinstance(drive, DirectDrive):
            link: Linkage = Direct(name, drive)
        elif isinstance(drive, FourBarDrive):
            link = FourBar(name, drive)
        else:
            pair = figure.pairs[drive.pair]
            link = Neck(pair, figure.axes[pair.axes[0]], figure.axes[pair.axes[1]])
        done.update(link.axes)
        found.append(link)
    return tuple(found)


def linkage_of(figure: Figure, axis_name: str) -> Linkage:
    """The linkage that moves an axis. Raises KeyError for an axis the figure does not have."""
    for link in linkages(figure):
        if axis_name in link.axes:
            return link
    raise KeyError(axis_name)
