"""How fast an axis may go, and why.

Velocity: half of the derated no-load speed. A DC servo's torque falls in a straight line from stall
to no-load (textbook), so at half speed half of the stall torque is left: whatever is promised at
standstill is then also there at top speed, and one pair of constant limits is honest everywhere.

Acceleration: that half, minus the worst gravity and friction, over inertia; but no more than brings
top speed within one ramp, since with the jerk below anything more would never be reached.

Jerk: acceleration over the ramp time. A ramp of the neck's own period leaves it still: the pulse
of acceleration then has no energy at that frequency. It lasts at least three servo frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.errors import Fault, FindingsError
from sequencer.figure.drives import first_servo
from sequencer.figure.gearing import gearing
from sequencer.figure.model import AxisPhysics, Basis, Figure, Limits, Servo
from sequencer.figure.physics import SHARE_AT_SPEED, physics, stall_at_axis_n_m, voltage_share
from sequencer.units import kgcm_from_n_m

#: Top speed as a share of the derated no-load speed.
SHARE_OF_SPEED = 1.0 - SHARE_AT_SPEED
#: A servo hears of a change once a frame; three frames make a ramp.
LEAST_RAMP_FRAMES = 3
#: A guess at how stiff a neck of printed parts and servo gears is, N m/rad, when nobody filmed its wobble.
TYPICAL_STIFFNESS_N_M_RAD = 15.0


@dataclass(frozen=True)
class Ramp:
    """Time in which acceleration rises from nothing to its limit, where it comes from, in words."""

    ramp_s: float
    basis: Basis
    why: str


def ramp(figure: Figure, axis_name: str, facts: AxisPhysics | None = None) -> Ramp:
    """The ramp of one axis: as given, or the guessed period of its neck, at least three frames."""
    axis = figure.axes[axis_name]
    frame_s = figure.servos[first_servo(figure, axis)].frame_s
    least = LEAST_RAMP_FRAMES * frame_s
    if axis.ramp_s is not None:
        return Ramp(max(axis.ramp_s, least), "measured", f"a ramp of {axis.ramp_s:.3g} s, as the file says")
    inertia = (facts or physics(figure, axis_name)).inertia_kg_m2
    period = math.tau * math.sqrt(inertia / TYPICAL_STIFFNESS_N_M_RAD)
    if period > least:
        return Ramp(
            period,
            "guess",
            f"a ramp of {period:.3g} s, the guessed period of this inertia on a neck of "
            f"{TYPICAL_STIFFNESS_N_M_RAD:g} N m/rad",
        )
    return Ramp(least, "typical", f"a ramp of {least:.3g} s, three servo frames")


def limits(figure: Figure, axis_name: str, known: AxisPhysics | None = None) -> Limits:
    """The limits of one axis in rad and s, each with its reason; ``known`` spares computing its physics.

    Raises KeyError for an unknown axis and FindingsError when the servo cannot hold what it carries.
    """
    axis = figure.axes[axis_name]
    facts = known or physics(figure, axis_name)
    if facts.available_torque_n_m <= 0.0:
        raise FindingsError(cannot_hold(figure, axis_name, facts))
    servo, ratio = _slowest(figure, axis_name)
    volts = voltage_share(figure, servo)
    velocity = SHARE_OF_SPEED * servo.no_load_speed_rad_s * servo.speed_derating * volts / ratio
    share_basis = "as the file says" if servo.derating_basis == "measured" else "typical"
    printed = math.degrees(servo.no_load_speed_rad_s)
    speed_words = (
        f"servo `{servo.name}`: {printed:.0f} deg/s printed at {servo.at_v:g} V"
        f", x {servo.speed_derating:g} ({share_basis})"
        + (f", x {volts:.2g} for {figure.supply.voltage_v:g} V" if volts < 1.0 else "")
        + (f", / {ratio:.3g} for the ratio" if ratio != 1.0 else "")
        + ", halved so that half of its torque is left at top speed"
    )
    rise = ramp(figure, axis_name, facts)
    by_ramp = velocity / rise.ramp_s
    by_torque = facts.available_torque_n_m / facts.inertia_kg_m2 if facts.inertia_kg_m2 > 0.0 else math.inf
    acceleration = min(by_ramp, by_torque)
    if by_torque <= by_ramp:
        acceleration_words = (
            f"torque: {facts.available_torque_n_m:.3g} N m left after gravity "
            f"({facts.gravity_torque_n_m:.3g}) and friction ({facts.friction_torque_n_m:.3g}, "
            f"{axis.friction_basis}), over {facts.inertia_kg_m2:.3g} kg m2"
        )
    else:
        spare = (
            f"; the torque would give {math.degrees(by_torque):.0f} deg/s2"
            if math.isfinite(by_torque)
            else "; the file tells of no mass here"
        )
        acceleration_words = f"ramp: top speed within {rise.ramp_s:.3g} s, more would never be reached{spare}"
    return Limits(
        velocity_rad_s=velocity,
        acceleration_rad_s2=acceleration,
        jerk_rad_s3=acceleration / rise.ramp_s,
        why={"velocity": speed_words, "acceleration": acceleration_words, "jerk": rise.why},
    )


def servo_needed_kgcm(figure: Figure, axis_name: str, facts: AxisPhysics) -> float:
    """Printed stall torque in kg cm of a servo for which the axis's load is a third of stall."""
    load = facts.gravity_torque_n_m + facts.friction_torque_n_m
    needed = []
    for name, gear in gearing(figure, axis_name).items():
        servo = figure.servos[name]
        needed.append(3.0 * load * gear.load / (servo.torque_derating * voltage_share(figure, servo)))
    return kgcm_from_n_m(max(needed))


def _slowest(figure: Figure, axis_name: str) -> tuple[Servo, float]:
    """The servo that bounds an axis's speed, and its radians per radian of the axis."""
    best: tuple[float, Servo, float] | None = None
    for name, gear in gearing(figure, axis_name).items():
        servo = figure.servos[name]
        top = servo.no_load_speed_rad_s * servo.speed_derating * voltage_share(figure, servo) / gear.speed
        if best is None or top < best[0]:
            best = (top, servo, gear.speed)
    assert best is not None  # every axis has a servo
    return best[1], best[2]


def cannot_hold(figure: Figure, axis_name: str, facts: AxisPhysics) -> Fault:
    """Why an axis has no torque left, and what would help."""
    axis = figure.axes[axis_name]
    load = kgcm_from_n_m(facts.gravity_torque_n_m + facts.friction_torque_n_m)
    usable = kgcm_from_n_m(SHARE_AT_SPEED * stall_at_axis_n_m(figure, axis))
    needed = servo_needed_kgcm(figure, axis_name, facts)
    return Fault(
        f"{axis_name} cannot be moved: gravity and friction take {load:.1f} kg cm and servo "
        f"`{first_servo(figure, axis)}` has {usable:.1f} kg cm to give while it turns",
        file=figure.file,
        line=axis.line,
        quantity=f"torque of {axis_name}",
        value=f"{load:.2f} kg cm",
        limit=f"{usable:.2f} kg cm",
        remedy=f"balance it with a counterweight or spring, or fit a servo of {needed:.0f} kg cm or more",
    )
