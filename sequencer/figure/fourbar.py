"""A servo crank, a coupler and a rocker that is the axis: the four-bar of a jaw.

Angles from the ground line, which leads from the servo's axle to the axis's pivot, counterclockwise seen
along the axis (Norton, Design of Machinery, chapter 4): crank t2, coupler t3, rocker t4. Freudenstein:
K1 cos t4 - K2 cos t2 + K3 = cos(t2 - t4), K1 = d/a, K2 = d/c, K3 = (a^2 - b^2 + c^2 + d^2) / (2 a c).
Solved both ways as one triangle (see :mod:`.crank`); the closure is the sign of sin(t4 - t3): open is
positive, crossed negative. It stays the same until coupler and rocker are in line, and the crank stays on
its side of the coupler until crank and coupler are in line: those are the two toggles.
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.figure.crank import Array, crank_rad, nearer_side, wrapped
from sequencer.figure.model import FourBarDrive


class FourBar:
    """The map between one servo and one axis; both angles are 0 with the servo at its centre."""

    def __init__(self, axis: str, drive: FourBarDrive) -> None:
        self.axes = (axis,)
        self.servos = (drive.servo,)
        self.drive = drive
        self._closure = -1.0 if drive.crossed else 1.0
        self._sense = -1.0 if drive.inverted else 1.0
        self.rocker_at_centre_rad = float(self.rocker_rad(np.array([drive.crank_at_centre_rad]))[0])
        x, y = self._rocker_tip(np.array([self.rocker_at_centre_rad]))
        self._side = nearer_side(
            drive.crank_m, drive.coupler_m, float(x[0]), float(y[0]), drive.crank_at_centre_rad
        )

    def rocker_rad(self, crank: Array) -> Array:
        """Rocker angles t4 for crank angles t2 of any shape; NaN where the coupler cannot reach."""
        drive = self.drive
        x = drive.crank_m * np.cos(crank) - drive.ground_m
        y = drive.crank_m * np.sin(crank)
        # Seen from the rocker's pivot the open closure lies clockwise of the crank's tip.
        return crank_rad(drive.rocker_m, drive.coupler_m, x, y, -self._closure)

    def coupler_rad(self, crank: Array, rocker: Array) -> Array:
        """Coupler angles t3, from the crank's tip to the rocker's."""
        drive = self.drive
        x, y = self._rocker_tip(rocker)
        angle: Array = np.arctan2(y - drive.crank_m * np.sin(crank), x - drive.crank_m * np.cos(crank))
        return angle

    def _rocker_tip(self, rocker: Array) -> tuple[Array, Array]:
        drive = self.drive
        return drive.ground_m + drive.rocker_m * np.cos(rocker), drive.rocker_m * np.sin(rocker)

    def _links(self, axis_rad: Array) -> tuple[Array, Array, Array]:
        """Crank, coupler and rocker angles for axis angles (n, 1)."""
        drive = self.drive
        rocker = self.rocker_at_centre_rad + self._sense * axis_rad
        x, y = self._rocker_tip(rocker)
        crank = crank_rad(drive.crank_m, drive.coupler_m, x, y, self._side)
        coupler = self.coupler_rad(crank, rocker)
        with np.errstate(invalid="ignore"):
            # Past the rocker's toggle the same lengths would have to be put together the other way round.
            crank = np.where(np.sin(rocker - coupler) * self._closure >= 0.0, crank, np.nan)
        return crank, coupler, rocker

    def links_rad(self, axis_rad: Array) -> tuple[Array, Array, Array]:
        """Crank, coupler and rocker angles for axis angles (n,), for drawing."""
        crank, coupler, rocker = self._links(np.asarray(axis_rad, dtype=float)[:, None])
        return crank[:, 0], coupler[:, 0], rocker[:, 0]

    def servo_rad(self, axis_rad: Array) -> Array:
        """Servo angles (n, 1) for axis angles (n, 1); NaN where the linkage cannot be closed."""
        crank = self._links(axis_rad)[0]
        return wrapped(crank - self.drive.crank_at_centre_rad)

    def axis_rad(self, servo_rad: Array, near: Array | None = None) -> Array:  # noqa: ARG002 - a linkage's shape
        """Axis angles (n, 1) for servo angles (n, 1); NaN where the linkage cannot be closed.

        ``near`` is not needed: the closure decides.
        """
        crank = self.drive.crank_at_centre_rad + servo_rad
        return self._sense * wrapped(self.rocker_rad(crank) - self.rocker_at_centre_rad)

    def jacobian(self, axis_rad: Array) -> Array:
        """d servo / d axis, (n, 1, 1): c sin(t4 - t3) / (a sin(t2 - t3)), signed."""
        crank, coupler, rocker = self._links(axis_rad)
        drive = self.drive
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio: Array = (drive.rocker_m * np.sin(rocker - coupler)) / (
                drive.crank_m * np.sin(crank - coupler)
            )
        return (self._sense * ratio)[:, :, None]

    def toggle_rad(self, axis_rad: Array) -> Array:
        """Distance from the nearer toggle, (n,), 0..pi/2: 0 is in line, pi/2 square; NaN beyond it."""
        crank, coupler, rocker = self._links(axis_rad)
        with np.errstate(invalid="ignore"):
            least = np.minimum(np.abs(np.sin(crank - coupler)), np.abs(np.sin(rocker - coupler)))
            away: Array = np.arcsin(np.minimum(least, 1.0))
        return away[:, 0]


def closures_rad(drive: FourBarDrive, crank: Array) -> tuple[Array, Array]:
    """Rocker angles (open, crossed) for crank angles of any shape: both ways to put the links together."""
    x = drive.crank_m * np.cos(crank) - drive.ground_m
    y = drive.crank_m * np.sin(crank)
    both = [crank_rad(drive.rocker_m, drive.coupler_m, x, y, side) for side in (-1.0, 1.0)]
    return both[0], both[1]


def ground_limits_m(drive: FourBarDrive) -> tuple[float, float]:
    """Ground lengths (least, most) with which the links meet at the servo's centre.

    The crank's tip must be |b - c| to b + c away from the rocker's pivot:
    d = a cos t2 +- sqrt(reach^2 - (a sin t2)^2).
    """
    along = drive.crank_m * math.cos(drive.crank_at_centre_rad)
    across = drive.crank_m * math.sin(drive.crank_at_centre_rad)
    inner, outer = abs(drive.coupler_m - drive.rocker_m), drive.coupler_m + drive.rocker_m
    most = along + math.sqrt(max(0.0, outer**2 - across**2))
    least = along + math.sqrt(inner**2 - across**2) if inner > abs(across) else 0.0
    return max(least, 0.0), most
