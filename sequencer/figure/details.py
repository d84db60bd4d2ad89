"""The second page of the figure sheet: limits with their reasons, directions, wiring, masses."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sequencer.figure.facts import Facts, toward
from sequencer.figure.model import DirectDrive, Figure
from sequencer.figure.pins import pin_name
from sequencer.figure.reach import fitting_range
from sequencer.figure.tracks import track_maps


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
        "command is not promised."
    )


def direction_lines(figure: Figure) -> Iterator[str]:
    """Each axis's range in the figure's words, and what the servo would allow."""
    for name, axis in figure.axes.items():
        assert isinstance(axis.drive, DirectDrive)
        servo = figure.servos[axis.drive.servo]
        low, high, why = fitting_range(
            servo.pulse_us, servo.ends_us, servo.centre_us, servo.us_per_rad * axis.drive.ratio
        )
        yield (
            f"{name}: from {toward(axis, axis.range_rad[0])} to {toward(axis, axis.range_rad[1])}, home "
            f"{toward(axis, axis.home_rad)}, parked {toward(axis, axis.parked_rad)}; "
            f"{axis.words[1]} is positive; "
            f"{why} would allow {toward(axis, low)} to {toward(axis, high)}."
        )


def wiring_lines(figure: Figure) -> Iterator[str]:
    """A row per pin, in the order of the pins."""
    rows: list[tuple[int, str, str]] = []
    tracks = {track.servo: track for track in track_maps(figure).values()}
    for servo in figure.servos.values():
        track = tracks.get(servo.name)
        play = f", pulses {track.low_us:.0f} to {track.high_us:.0f} us" if track else ", moves no axis yet"
        rows.append((servo.pin, f"servo {servo.name}", f"signal{play}; plus and minus from the servo supply"))
    for lamp in figure.lamps.values():
        how = "lit when low" if lamp.active_low else "lit when high"
        rows.append(
            (lamp.pin, f"lamp {lamp.name}", f"{1000 * lamp.current_a:.0f} mA, {how}, series resistor")
        )
    for switch in figure.switches.values():
        how = "on when low, pull-up" if switch.active_low else "on when high, pull-down"
        rows.append(
            (
                switch.pin,
                f"switch {switch.name}",
                f"{how} resistor 10 kilohm, acts {1000 * switch.lead_s:.0f} ms late",
            )
        )
    for source in figure.inputs.values():
        how = "to ground when active" if source.active_low else "to 5 V when active"
        pull = ", pull-up inside" if source.pull_up else ", needs its own pull resistor"
        rows.append((source.pin, f"input {source.name}", how + pull))
    rows.sort()
    width = max((len(what) for _, what, _ in rows), default=0)
    for pin, what, how in rows:
        yield f"{pin_name(pin):>4}  {what:<{width}}  {how}"
    yield " GND  join with the minus of the servo supply"


def mass_lines(figure: Figure) -> Iterator[str]:
    """A row per mass, and their sum."""
    for mass in figure.masses.values():
        x, y, z = (1000.0 * part for part in mass.centre_m)
        yield (
            f"{mass.name}: {mass.shape}, {1000 * mass.mass_kg:.0f} g at {x:.0f}, {y:.0f}, {z:.0f} mm, "
            f"carried by {mass.carried_by} ({mass.basis})"
        )
    yield f"together {1000 * sum(mass.mass_kg for mass in figure.masses.values()):.0f} g"
