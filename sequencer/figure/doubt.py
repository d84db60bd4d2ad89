"""How sure a number is: what was not measured widens it to a range instead of blocking.

Every width here is a rule of thumb and is said with the number: a cheap servo gives 60-70 % of its print,
friction that nobody measured may be two fifths or the double of the typical, and a weight, or a place
that it is said to sit at, may be off by its basis.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from sequencer.figure import catalogue
from sequencer.figure.gearing import gearing
from sequencer.figure.model import Axis, AxisPhysics, Basis, Figure, Mass, Servo
from sequencer.figure.physics import carried, stall_at_axis_n_m
from sequencer.figure.servo_line import line_at
from sequencer.units import GRAVITY_M_S2, kgcm_from_n_m

#: Share of the print that servos give (common practice).
DERATINGS = (0.60, 0.70)
#: Friction that was not measured, as a factor on the typical.
FRICTIONS = (0.4, 2.0)
#: What weight times distance of a part may be off, as a share, by where the numbers come from.
PLACED: Mapping[Basis, float] = {"measured": 0.05, "datasheet": 0.05, "typical": 0.15, "guess": 0.30}
_WORST_LAST: tuple[Basis, ...] = ("measured", "datasheet", "typical", "guess")


@dataclass(frozen=True)
class Between:
    """A number that lies between two others; ``basis`` is the least sure thing it was made from."""

    low: float
    high: float
    basis: Basis

    def times(self, factor: float) -> Between:
        """Both ends times a positive factor."""
        return Between(self.low * factor, self.high * factor, self.basis)


def least_sure(bases: Iterable[Basis]) -> Basis:
    """The least sure of several; measured when there is none."""
    return max(bases, key=_WORST_LAST.index, default="measured")


def said(between: Between, unit: str, digits: int = 2) -> str:
    """``4 to 7 kg cm``, or ``5 kg cm`` when both ends read the same."""
    low, high = (_short(value, digits) for value in (between.low, between.high))
    number = low if low == high else f"{low} to {high}"
    return f"{number} {unit}" if unit else number


def percent(between: Between) -> str:
    """A share as ``15 to 30 %``."""
    return said(Between(100.0 * between.low, 100.0 * between.high, between.basis), "%", 0)


def _short(value: float, digits: int) -> str:
    if value <= 0.0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(value)))
    return f"{value:.{min(places, 2)}f}"


def stall(figure: Figure, axis: Axis) -> Between:
    """Torque at the axis that its (first) servos really have when stalled, N m."""
    lows, highs, bases = [], [], []
    for name, gear in gearing(figure, axis.name).items():
        servo = figure.servos[name]
        low, high = _print_factors(servo)
        at_axis = line_at(figure, servo).stall_n_m / gear.load
        lows.append(low * at_axis)
        highs.append(high * at_axis)
        bases.append(_servo_basis(servo))
    return Between(min(lows), min(highs), least_sure(bases))


def _print_factors(servo: Servo) -> tuple[float, float]:
    """What the stall torque may be, as factors on what is counted with."""
    low = high = 1.0
    if servo.derating_basis != "measured":
        low, high = (share / servo.torque_derating for share in DERATINGS)
    known = catalogue.CLASSES.get(servo.class_name or "")
    if servo.line_basis == "typical" and known is not None:
        low *= known.sold_kgcm[0] / known.stall_kgcm
        high *= known.sold_kgcm[1] / known.stall_kgcm
    return low, high


def _servo_basis(servo: Servo) -> Basis:
    return servo.line_basis if servo.derating_basis == "measured" else "typical"


def gravity(figure: Figure, axis: Axis, fact: AxisPhysics) -> Between:
    """Gravity's worst torque at the axis, N m: widened by each part's weight times distance.

    Parts are off independently of each other (root of the sum of squares), so that a head that is
    balanced by guesses shows how little is known of its balance. Where a luggage scale has said the
    imbalance, its own spread counts instead.
    """
    if axis.pulled is not None:
        width = axis.pulled.spread_n_m
        return Between(max(0.0, fact.gravity_torque_n_m - width), fact.gravity_torque_n_m + width, "measured")
    riders = carried(figure, axis.name)
    parts = [mass for mass in figure.masses.values() if mass.carried_by in riders]
    if fact.gravity_torque_n_m == 0.0:
        return Between(0.0, 0.0, least_sure(mass.basis for mass in parts) if parts else "guess")
    width = math.sqrt(math.fsum(_off_n_m(mass, axis) ** 2 for mass in parts))
    basis = least_sure(mass.basis for mass in parts)
    return Between(max(0.0, fact.gravity_torque_n_m - width), fact.gravity_torque_n_m + width, basis)


def _off_n_m(mass: Mass, axis: Axis) -> float:
    """What weight times distance may be off: by its basis, or more when the readings' own spread is more."""
    lever = _lever_n_m(mass, axis)
    told = math.hypot(
        lever * mass.mass_spread_kg / mass.mass_kg, mass.mass_kg * GRAVITY_M_S2 * mass.centre_spread_m
    )
    return max(PLACED[mass.basis] * lever, told)


def _lever_n_m(mass: Mass, axis: Axis) -> float:
    """Weight times distance from the axis's line."""
    arm = np.array(mass.centre_m) - np.array(axis.pivot_m)
    direction = np.array(axis.direction)
    return mass.mass_kg * GRAVITY_M_S2 * float(np.linalg.norm(np.cross(arm, direction)))


def friction(axis: Axis) -> Between:
    """Friction at the axis, N m."""
    if axis.friction_basis == "measured":
        width = axis.friction_spread_n_m
        return Between(max(0.0, axis.friction_n_m - width), axis.friction_n_m + width, "measured")
    return Between(FRICTIONS[0] * axis.friction_n_m, FRICTIONS[1] * axis.friction_n_m, axis.friction_basis)


@dataclass(frozen=True)
class Load:
    """What an axis holds against what its servos have, with how sure each is; N m, ``share`` of stall."""

    gravity: Between
    friction: Between
    stall: Between
    share: Between
    nominal_share: float


def load(figure: Figure, axis: Axis, fact: AxisPhysics) -> Load:
    """The axis's load and its servos' torque as ranges. ``nominal_share`` is what limits count with."""
    pull, rub, has = gravity(figure, axis, fact), friction(axis), stall(figure, axis)
    nominal = 1.0 - fact.torque_margin
    # Through a linkage gravity and ratio are at their worst in different poses; the margin knows where.
    direct = (fact.gravity_torque_n_m + fact.friction_torque_n_m) / stall_at_axis_n_m(figure, axis)
    scale = nominal / direct if direct > 0.0 else 1.0
    share = Between(
        scale * (pull.low + rub.low) / has.high,
        scale * (pull.high + rub.high) / has.low,
        least_sure((pull.basis, rub.basis, has.basis)),
    )
    return Load(pull, rub, has, share, nominal)


def kgcm(between: Between) -> Between:
    """N m as kg cm."""
    return Between(kgcm_from_n_m(between.low), kgcm_from_n_m(between.high), between.basis)
