"""What the sheet says about linkages, in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from sequencer.figure.facts import toward
from sequencer.figure.fourbar import FourBar
from sequencer.figure.gearing import gearing
from sequencer.figure.model import Axis, Figure, FourBarDrive
from sequencer.figure.polygon import CRANK_RAD, GOOD_TOGGLE_RAD, PairReach, reach_of

_STEPS = 181


def linkage_lines(figure: Figure) -> Iterator[str]:
    """Each linkage's way of the cranks, transmission ratios, distance from toggle and lost corners."""
    for axis in figure.axes.values():
        if isinstance(axis.drive, FourBarDrive):
            yield from _fourbar(figure, axis, axis.drive)
    for name, pair in figure.pairs.items():
        reach = reach_of(figure, name)
        ways = ", ".join(
            f"{servo} {math.degrees(low):.0f} to {math.degrees(high):.0f}"
            for servo, (low, high) in zip(
                (crank.servo for crank in pair.cranks), reach.crank_rad, strict=True
            )
        )
        yield (
            f"linkage {name}: the cranks turn {ways} deg from the servos' centres "
            f"({_judged_way([way for both in reach.crank_rad for way in both])}); never nearer than "
            f"{math.degrees(reach.toggle_rad):.0f} deg to a toggle ({_judged_toggle(reach.toggle_rad)})."
        )
        for axis_name in pair.axes:
            ratios = list(gearing(figure, axis_name).values())
            low, high = min(gear.least_speed for gear in ratios), max(gear.speed for gear in ratios)
            yield f"linkage {name}: {low:.2f} to {high:.2f} servo degrees per degree of {axis_name}."
        yield corner_words(figure, name, reach)


def corner_words(figure: Figure, pair_name: str, reach: PairReach) -> str:
    """How much of each corner of a pair's ranges is left."""
    axes = [figure.axes[name] for name in figure.pairs[pair_name].axes]
    home = [axis.home_rad for axis in axes]
    corners = [
        corner
        for corner in reach.corners
        if all(angle != rest for angle, rest in zip(corner.axis_rad, home, strict=True))
    ]
    told = "; ".join(
        " with ".join(
            f"{axis.name} {toward(axis, rest + corner.share * (angle - rest))}"
            for axis, angle, rest in zip(axes, corner.axis_rad, home, strict=True)
        )
        + f" ({100 * corner.share:.0f} %)"
        for corner in corners
    )
    return f"linkage {pair_name}: from home toward the corners of their ranges both axes reach {told}."


def _fourbar(figure: Figure, axis: Axis, drive: FourBarDrive) -> Iterator[str]:
    link = FourBar(axis.name, drive)
    angles = np.linspace(*axis.range_rad, _STEPS)[:, None]
    servo = link.servo_rad(angles)[:, 0]
    toggle = float(np.min(link.toggle_rad(angles)))
    (gear,) = gearing(figure, axis.name).values()
    yield (
        f"linkage {drive.name or axis.name}: the crank turns {math.degrees(servo.min()):.0f} to "
        f"{math.degrees(servo.max()):.0f} deg from the servo's centre; never nearer than "
        f"{math.degrees(toggle):.0f} deg to a toggle ({_judged_toggle(toggle)})."
    )
    yield (
        f"linkage {drive.name or axis.name}: {gear.least_speed:.2f} to {gear.speed:.2f} servo degrees per "
        f"degree of {axis.name}."
    )


def _judged_way(angles: list[float]) -> str:
    within = max(abs(angle) for angle in angles) <= CRANK_RAD + math.radians(0.5)
    return f"common practice: {'within' if within else 'more than'} 45 either way"


def _judged_toggle(toggle_rad: float) -> str:
    return f"common practice: at least 30{'' if toggle_rad >= GOOD_TOGGLE_RAD else ', so lengthen something'}"
