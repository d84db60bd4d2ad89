"""Whether a figure's linkages can be built and do what their axes' ranges promise.

Each fault says which number to change and to what: the other number is computed, not guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.crank import Array
from sequencer.figure.explain import Reporter
from sequencer.figure.fitting import (
    STEPS,
    fits,
    mm,
    other_shares,
    range_around,
    range_fault,
    why_not,
    widest_stretch,
)
from sequencer.figure.fourbar import FourBar, ground_limits_m
from sequencer.figure.geometry_pair import check_pair
from sequencer.figure.model import Axis, Figure, FourBarDrive
from sequencer.figure.toml_lines import Path

#: A link is hardly mismeasured by more than this when another crank_deg would explain it.
LIKELY_SHARE = 2.0


def check_geometry(figure: Figure, reporter: Reporter) -> None:
    """Faults of every four-bar and pair; ranges, home and parked must already be in order."""
    for axis in figure.axes.values():
        if isinstance(axis.drive, FourBarDrive):
            _fourbar(figure, axis, axis.drive, reporter)
    for pair in figure.pairs.values():
        check_pair(figure, pair, reporter)


def _fourbar(figure: Figure, axis: Axis, drive: FourBarDrive, reporter: Reporter) -> None:
    path: Path = ("linkages", drive.name or axis.name)
    link = FourBar(axis.name, drive)
    servos = [figure.servos[drive.servo]]
    wanted = np.linspace(*axis.range_rad, STEPS)[:, None]

    def good(changed: FourBarDrive) -> bool:
        other = FourBar(axis.name, changed)
        # Most tries fail, and a few angles tell.
        return all(bool(np.all(fits(angles, other, servos))) for angles in (wanted[::24], wanted))

    if not math.isfinite(link.rocker_at_centre_rad):
        least, most = ground_limits_m(drive)
        square = mm(_square_coupler_m(drive))
        other = _other_link(drive, good)
        reporter.add(
            (*path, "coupler_mm"),
            "the links do not meet with the servo at its centre",
            value=f"{mm(drive.coupler_m)} mm",
            limit=f"ground_mm from {mm(least)} to {mm(most)} with these links",
            remedy=(
                f"write {other}"
                if other
                else f"write coupler_mm = {square}, which puts the coupler square to the rocker"
            )
            + f"; or measure ground_mm ({mm(drive.ground_m)}) and crank_deg "
            f"({math.degrees(drive.crank_at_centre_rad):g}) again",
        )
        return
    if good(drive):
        return

    def good_at(angles: Array) -> NDArray[np.bool_]:
        return fits(angles[:, None], link, servos)

    low, high = range_around(axis, good_at)
    why, elsewhere = why_not(wanted, link, servos), widest_stretch(axis, good_at)
    range_fault(axis, low, high, why, _other_link(drive, good), reporter, elsewhere)


def _square_coupler_m(drive: FourBarDrive) -> float:
    """A coupler that meets the rocker at a right angle with the servo at its centre."""
    x = drive.crank_m * math.cos(drive.crank_at_centre_rad) - drive.ground_m
    far = math.hypot(x, drive.crank_m * math.sin(drive.crank_at_centre_rad))
    return math.sqrt(abs(far**2 - drive.rocker_m**2))


def _other_link(drive: FourBarDrive, good: Callable[[FourBarDrive], bool]) -> str | None:
    """`coupler_mm = 41.2`: the number to change, by the least, so that the whole range works.

    A link by its share, and the crank's angle by its degrees: both are told, since either may be the slip.
    """
    angle = _other_angle(drive, good)
    length = _other_length(drive, good, LIKELY_SHARE if angle else math.inf)
    ways = [way for way in (length, angle) if way is not None]
    return f"{', or '.join(ways)} in [linkages.{drive.name}]" if ways else None


def _other_angle(drive: FourBarDrive, good: Callable[[FourBarDrive], bool]) -> str | None:
    for away in range(1, 180):
        for sign in (1, -1):
            angle = round(math.degrees(drive.crank_at_centre_rad)) + sign * away
            if abs(angle) <= 180 and good(replace(drive, crank_at_centre_rad=math.radians(angle))):
                return f"crank_deg = {_well_inside(drive, good, angle, sign)}"
    return None


def _well_inside(drive: FourBarDrive, good: Callable[[FourBarDrive], bool], angle: int, sign: int) -> int:
    """An angle five degrees further on if that is good too: not just where it begins to work."""
    further = angle + 5 * sign
    return further if good(replace(drive, crank_at_centre_rad=math.radians(further))) else angle


def _other_length(drive: FourBarDrive, good: Callable[[FourBarDrive], bool], most_share: float) -> str | None:
    for share in other_shares():
        if max(share, 1.0 / share) > most_share:
            return None
        for key in ("coupler", "crank", "rocker", "ground"):
            length = round(1000.0 * getattr(drive, f"{key}_m") * share, 1) / 1000.0
            if length > 0.0 and good(replace(drive, **{f"{key}_m": length})):
                return f"{key}_mm = {mm(length)}"
    return None
