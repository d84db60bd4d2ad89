"""How hard each servo of an axis has to work when that axis moves alone: the worst over its range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sequencer.figure.crank import Array
from sequencer.figure.fourbar import FourBar
from sequencer.figure.model import Axis, DirectDrive, Figure, FourBarDrive
from sequencer.figure.neck import Neck
from sequencer.figure.polygon import reach_of

_POSES = 65
_BORDER_STEP = 10


@dataclass(frozen=True)
class Gear:
    """One servo's part in an axis: ``speed`` servo rad/s per axis rad/s, ``load`` servo N m per axis N m.

    Both are the largest over the range. ``least_speed`` is the smallest ``speed``: between the two lies the
    transmission ratio.
    """

    speed: float
    load: float
    least_speed: float


def gearing(figure: Figure, axis_name: str) -> Mapping[str, Gear]:
    """Servo -> its gear for one axis alone, at the worst pose that the linkage may take.

    Servo speeds are J e and servo torques inv(J)' e, with J = d servo / d axis and e the axis
    (virtual work). A direct drive has speed = ratio and load = 1 / ratio. Raises KeyError for an axis
    the figure does not have.
    """
    axis = figure.axes[axis_name]
    drive = axis.drive
    if isinstance(drive, DirectDrive):
        return {drive.servo: Gear(drive.ratio, 1.0 / drive.ratio, drive.ratio)}
    if isinstance(drive, FourBarDrive):
        slope = np.abs(_fourbar_slopes(axis, drive))
        return {drive.servo: Gear(float(slope.max()), float(1.0 / slope.min()), float(slope.min()))}
    pair = figure.pairs[drive.pair]
    link = Neck(pair, *(figure.axes[name] for name in pair.axes))
    border = reach_of(figure, drive.pair).border_rad[::_BORDER_STEP]
    # Poses from home to the border and all between.
    poses = (link.home_rad + np.linspace(0.0, 1.0, 9)[:, None, None] * (border - link.home_rad)).reshape(
        -1, 2
    )
    slopes = link.jacobian(poses)
    column = pair.axes.index(axis_name)
    speed = np.abs(slopes[:, :, column])
    load = np.abs(np.linalg.inv(slopes)[:, column, :])
    return {
        servo: Gear(float(speed[:, index].max()), float(load[:, index].max()), float(speed[:, index].min()))
        for index, servo in enumerate(link.servos)
    }


def _fourbar_slopes(axis: Axis, drive: FourBarDrive) -> Array:
    angles = np.linspace(*axis.range_rad, _POSES)[:, None]
    return FourBar(axis.name, drive).jacobian(angles)[:, 0, 0]
