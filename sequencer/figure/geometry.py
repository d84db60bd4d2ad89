"""Whether a figure's linkages can be built and do what their axes' ranges promise.

Each fault says which number to change and to what: the other number is computed, not guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sequencer.figure.explain import Reporter
from sequencer.figure.fitting import STEPS, fits, mm, other_shares, range_around, range_fault, why_not
from sequencer.figure.fourbar import FourBar, ground_limits_m
from sequencer.figure.geometry_pair import check_pair
from sequencer.figure.model import Axis, Figure, FourBarDrive
from sequencer.figure.toml_lines import Path


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
    if not math.isfinite(link.rocker_at_centre_rad):
        least, most = ground_limits_m(drive)
        square = mm(_square_coupler_m(drive))
        reporter.add(
            (*path, "coupler_mm"),
            "the links do not meet with the servo at its centre",
            value=f"{mm(drive.coupler_m)} mm",
            limit=f"ground_mm from {mm(least)} to {mm(most)} with these links",
            remedy=f"write coupler_mm = {square}, which puts the coupler square to the rocker; "
            f"or measure ground_mm ({mm(drive.ground_m)}) and crank_deg "
            f"({math.degrees(drive.crank_at_centre_rad):g}) again",
        )
        return
    servos = [figure.servos[drive.servo]]
    wanted = np.linspace(*axis.range_rad, STEPS)[:, None]
    if bool(np.all(fits(wanted, link, servos))):
        return
    low, high = range_around(axis, lambda angles: fits(angles[:, None], link, servos))
    other = _other_link(
        drive, lambda changed: bool(np.all(fits(wanted, FourBar(axis.name, changed), servos)))
    )
    range_fault(axis, low, high, why_not(wanted, link, servos), other, reporter)


def _square_coupler_m(drive: FourBarDrive) -> float:
    """A coupler that meets the rocker at a right angle with the servo at its centre."""
    x = drive.crank_m * math.cos(drive.crank_at_centre_rad) - drive.ground_m
    far = math.hypot(x, drive.crank_m * math.sin(drive.crank_at_centre_rad))
    return math.sqrt(abs(far**2 - drive.rocker_m**2))


def _other_link(drive: FourBarDrive, good: Callable[[FourBarDrive], bool]) -> str | None:
    """`coupler_mm = 41.2`: the one link to change, by the least share, so that the whole range works."""
    for share in other_shares():
        for key in ("coupler", "crank", "rocker", "ground"):
            length = round(1000.0 * getattr(drive, f"{key}_m") * share, 1) / 1000.0
            if length > 0.0 and good(replace(drive, **{f"{key}_m": length})):
                return f"{key}_mm = {mm(length)}"
    return None
