"""The second page of the figure sheet: limits with their reasons, directions, wiring, masses."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sequencer.figure import wiring
from sequencer.figure.facts import Facts, toward
from sequencer.figure.model import DirectDrive, Figure
from sequencer.figure.reach import fitting_range


def limits_lines(known: Facts) -> Iterator[str]:
    """Three sentences per axis: each limit with its reason."""
    for name, limit in known.limits.items():
        yield f"{name}: velocity {math.degrees(limit.velocity_rad_s):.1f} deg/s. {limit.why['velocity']}"
        yield (
            f"{name}: acceleration {math.degrees(limit.acceleration_rad_s2):.0f} deg/s2. "
            f"{limit.why['acceleration']}"
        )
        yield f"{name}: jerk {math.degrees(limit.jerk_rad_s3):.0f} deg/s3. {limit.why['jerk']}"
    yield (
        "These limits hold for commands. Scenes are planned at 85 % of them; what the mechanism makes of a "
        "command is not promised. What the motion of other axes asks (a turn flings the nod outward) is not "
        "in them: `quarterjack check` counts it, scene by scene."
    )


def direction_lines(figure: Figure) -> Iterator[str]:
    """Each axis's range in the figure's words, and what the servo would allow."""
    for name, axis in figure.axes.items():
        said = (
            f"{name}: from {toward(axis, axis.range_rad[0])} to {toward(axis, axis.range_rad[1])}, home "
            f"{toward(axis, axis.home_rad)}, parked {toward(axis, axis.parked_rad)}; "
            f"{axis.words[1]} is positive"
        )
        if isinstance(axis.drive, DirectDrive):
            servo = figure.servos[axis.drive.servo]
            low, high, why = fitting_range(
                servo.pulse_us, servo.ends_us, servo.centre_us, servo.us_per_rad * axis.drive.ratio
            )
            said += f"; {why} would allow {toward(axis, low)} to {toward(axis, high)}"
        yield f"{said}."


def wiring_lines(figure: Figure) -> Iterator[str]:
    """A row per pin, in the order of the pins."""
    table = wiring.rows(figure)
    wide = max(len(row.what) for row in table)
    for row in table:
        yield f"{row.pin:>4}  {row.what:<{wide}}  {row.does}; {row.connect}"


def mass_lines(figure: Figure) -> Iterator[str]:
    """A row per mass, and their sum."""
    for mass in figure.masses.values():
        x, y, z = (1000.0 * part for part in mass.centre_m)
        yield (
            f"{mass.name}: {mass.shape}, {1000 * mass.mass_kg:.0f} g at {x:.0f}, {y:.0f}, {z:.0f} mm, "
            f"carried by {mass.carried_by} ({mass.basis})"
        )
    yield f"together {1000 * sum(mass.mass_kg for mass in figure.masses.values()):.0f} g"
