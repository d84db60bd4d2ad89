"""A servo's torque-speed line at the supply's real voltage, derated.

A DC motor's torque falls in a straight line from stall to no-load speed (textbook). Both ends grow with
the voltage: between the two voltages of a datasheet they are interpolated, below the lower one they
shrink in proportion, as they do from the single line of a datasheet that has no second. More than the
datasheet's voltage is not counted on.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sequencer.figure.model import Figure, Servo

#: The share of the stall torque that a DC servo still has at the top speed we allow (half of no-load).
SHARE_AT_SPEED = 0.5
#: Top speed as a share of the derated no-load speed.
SHARE_OF_SPEED = 1.0 - SHARE_AT_SPEED


class Line(NamedTuple):
    """The two ends of a servo's line: N m at stall, rad/s with no load."""

    stall_n_m: float
    no_load_rad_s: float


def printed_line(figure: Figure, servo: Servo) -> Line:
    """The datasheet's line at the supply's voltage, not derated."""
    volts, low = figure.supply.voltage_v, servo.low_line
    if low is not None and low.at_v < volts < servo.at_v:
        share = (volts - low.at_v) / (servo.at_v - low.at_v)
        return Line(
            low.stall_torque_n_m + share * (servo.stall_torque_n_m - low.stall_torque_n_m),
            low.no_load_speed_rad_s + share * (servo.no_load_speed_rad_s - low.no_load_speed_rad_s),
        )
    if low is not None and volts <= low.at_v:
        share = volts / low.at_v
        return Line(low.stall_torque_n_m * share, low.no_load_speed_rad_s * share)
    share = min(1.0, volts / servo.at_v)
    return Line(servo.stall_torque_n_m * share, servo.no_load_speed_rad_s * share)


def line_at(figure: Figure, servo: Servo) -> Line:
    """The line the servo really has: the datasheet's at the supply's voltage, derated."""
    printed = printed_line(figure, servo)
    return Line(printed.stall_n_m * servo.torque_derating, printed.no_load_rad_s * servo.speed_derating)


def speed_words(figure: Figure, servo: Servo) -> str:
    """Where the no-load speed comes from, to be followed by what is made of it."""
    printed = math.degrees(servo.no_load_speed_rad_s)
    return (
        f"servo `{servo.name}`: {printed:.0f} deg/s printed at {servo.at_v:g} V"
        f", x {servo.speed_derating:g} ({_basis(servo)})"
        + _volts(figure, servo, printed_line(figure, servo).no_load_rad_s / servo.no_load_speed_rad_s)
    )


def _basis(servo: Servo) -> str:
    return "as the file says" if servo.derating_basis == "measured" else servo.derating_basis


def _volts(figure: Figure, servo: Servo, share: float) -> str:
    volts = figure.supply.voltage_v
    if volts >= servo.at_v:
        return ""
    how = (
        f", between the datasheet's {servo.low_line.at_v:g} and {servo.at_v:g} V"
        if servo.low_line is not None and volts > servo.low_line.at_v
        else ""
    )
    return f", x {share:.2g} for {volts:g} V{how}"
