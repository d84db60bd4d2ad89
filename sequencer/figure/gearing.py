"""How hard each servo of an axis has to work when that axis moves alone: the worst over its range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.figure.drives import servos_of
from sequencer.figure.model import DirectDrive, Figure


@dataclass(frozen=True)
class Gear:
    """One servo's part in an axis: ``speed`` servo rad/s per axis rad/s, ``load`` servo N m per axis N m."""

    speed: float
    load: float


def gearing(figure: Figure, axis_name: str) -> Mapping[str, Gear]:
    """Servo -> its gear for one axis alone, at the worst pose of the linkage's range.

    Servo speeds are J e and servo torques inv(J)' e, with J = d servo / d axis and e the axis
    (virtual work). A direct drive has speed = ratio and load = 1 / ratio.
    """
    drive = figure.axes[axis_name].drive
    assert isinstance(drive, DirectDrive)
    (servo,) = servos_of(figure, axis_name)
    return {servo: Gear(drive.ratio, 1.0 / drive.ratio)}
