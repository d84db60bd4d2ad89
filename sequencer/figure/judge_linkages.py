"""Findings about linkages that work but could be better: toggles near, cranks far from square, corners."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from sequencer.figure.fitting import mm
from sequencer.figure.fourbar import FourBar
from sequencer.figure.model import Figure, FourBarDrive
from sequencer.figure.polygon import CRANK_RAD, GOOD_TOGGLE_RAD, reach_of
from sequencer.finding import Finding

#: A pair whose corners are cut to less than this share is told so.
CORNER_SHARE = 0.75
_STEPS = 181
_SLACK_RAD = math.radians(0.5)


def linkage_findings(figure: Figure) -> Iterator[Finding]:
    """Notes about every four-bar and pair; geometry that cannot work is refused at reading."""
    for axis in figure.axes.values():
        if isinstance(axis.drive, FourBarDrive):
            link = FourBar(axis.name, axis.drive)
            angles = np.linspace(*axis.range_rad, _STEPS)[:, None]
            toggle = float(np.min(link.toggle_rad(angles)))
            servo = link.servo_rad(angles)
            yield from _toggle(axis.name, axis.drive.name or axis.name, toggle)
            way = float(servo.max() - servo.min()) / 2.0
            yield from _way(axis.drive.servo, way, axis.drive.name or axis.name, axis.drive.crank_m)
    for name, pair in figure.pairs.items():
        reach = reach_of(figure, name)
        yield from _toggle(pair.axes[0], name, reach.toggle_rad)
        for crank, (low, high) in zip(pair.cranks, reach.crank_rad, strict=True):
            yield from _way(crank.servo, max(abs(low), abs(high)), name, crank.crank_m)
        worst = min(reach.corners, key=lambda corner: corner.share)
        if worst.share < CORNER_SHARE:
            first, second = (math.degrees(angle) for angle in worst.axis_rad)
            yield Finding(
                "reach",
                "note",
                None,
                pair.axes[0],
                None,
                100.0 * worst.share,
                100.0 * CORNER_SHARE,
                "%",
                f"linkage {name}: of the way to {pair.axes[0]} {first:.0f} with {pair.axes[1]} {second:.0f} "
                f"deg only {100 * worst.share:.0f} % can be reached",
                "narrow the ranges to what scenes use together, lengthen both cranks with their rods, "
                "or record wider ends_us",
            )


def _toggle(channel: str, linkage: str, toggle_rad: float) -> Iterator[Finding]:
    if toggle_rad < GOOD_TOGGLE_RAD:
        yield Finding(
            "reach",
            "note",
            None,
            channel,
            None,
            math.degrees(toggle_rad),
            math.degrees(GOOD_TOGGLE_RAD),
            "deg",
            f"linkage {linkage}: comes within {math.degrees(toggle_rad):.0f} deg of a toggle, where it has "
            "play and little to push with (common practice: at least 30)",
            "narrow range_deg, or change a length until crank and rod are square in the middle of the way",
        )


def _way(servo: str, way_rad: float, linkage: str, crank_m: float) -> Iterator[Finding]:
    if way_rad > CRANK_RAD + _SLACK_RAD:
        # The joint's way, crank_m sin(way), is what the head needs.
        longer_m = crank_m * math.sin(min(way_rad, math.pi / 2.0)) / math.sin(CRANK_RAD)
        yield Finding(
            "reach",
            "note",
            None,
            servo,
            None,
            math.degrees(way_rad),
            math.degrees(CRANK_RAD),
            "deg",
            f"linkage {linkage}: the crank of servo `{servo}` turns {math.degrees(way_rad):.0f} deg from the "
            "middle (common practice: at most 45)",
            f"write crank_mm = {mm(longer_m)} and build it so, or narrow the ranges",
        )
