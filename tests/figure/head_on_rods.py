"""A three-axis head with a riding jaw: pair and four-bar, springs, drag. For tests."""

from __future__ import annotations

import dataclasses
import math

from sequencer.figure.model import (
    Crank,
    Figure,
    FourBarDrive,
    LowVoltageLine,
    Pair,
    PairDrive,
    Spring,
)
from sequencer.figure.read import parse_figure

_SERVO = """
[servos.{name}]
pin = {pin}
speed_s_per_60deg = 0.16
stall_kgcm = {stall}
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
"""

TEXT = (
    'name = "head on rods"\nboard = { kind = "uno" }\nsupply = { voltage_v = 6.0, rating_a = 12.0 }\n'
    + "".join(
        _SERVO.format(name=name, pin=pin, stall=stall)
        for name, pin, stall in (("turn", 7, 15), ("left", 8, 20), ("right", 4, 20), ("jaw", 10, 3))
    )
    + """
[axes.turn]
range_deg = [-75, 75]
words = ["right", "left"]
turns_about = "up"
drive = { servo = "turn" }
friction_kgcm = 0.4
ramp_s = 0.2

[axes.nod]
range_deg = [-28, 30]
words = ["up", "down"]
turns_about = "left"
drive = { servo = "left" }
carried_by = "turn"
friction_kgcm = 0.5
ramp_s = 0.2

[axes.tilt]
range_deg = [-24, 24]
words = ["left", "right"]
turns_about = "forward"
drive = { servo = "right" }
carried_by = "nod"
friction_kgcm = 0.5
ramp_s = 0.16

[axes.jaw]
range_deg = [0, 24]
parked_deg = 6
words = ["shut", "open"]
turns_about = "left"
pivot_mm = [10, 0, 45]
drive = { servo = "jaw" }
carried_by = "tilt"
friction_kgcm = 0.05
ramp_s = 0.062

[masses.skull]
shape = "hollow_sphere"
outer_diameter_mm = 190
inner_diameter_mm = 176
weight_g = 690
at_mm = [6, 4, 62]
carried_by = "tilt"

[masses.face]
shape = "ellipsoid"
size_mm = [60, 120, 130]
weight_g = 180
at_mm = [72, -3, 50]
carried_by = "tilt"

[masses.ring]
shape = "cylinder"
diameter_mm = 90
length_mm = 20
weight_g = 150
at_mm = [5, 10, -30]
carried_by = "turn"

[masses.jaw]
shape = "box"
size_mm = [60, 80, 18]
weight_g = 45
at_mm = [44, 2, 28]
carried_by = "jaw"

[masses.counterweight]
shape = "cylinder"
diameter_mm = 34
length_mm = 34
along = "left"
weight_g = 240
at_mm = [-92, 0, -64]
carried_by = "tilt"
"""
)


def _crank(servo: str, side: float) -> Crank:
    """Crank level at the servo's centre, rod upright to the head: 34 mm crank, 28 mm behind, 32 beside."""
    back = math.pi
    return Crank(servo, (0.006, side * 0.032, -0.08), back, 0.034, 0.08, (-0.028, side * 0.032, 0.0))


def head_on_rods(springs: bool = True) -> Figure:
    """The head with its linkages; ``springs`` adds springs, drag and the servos' second voltage."""
    plain = parse_figure(TEXT.encode())
    axes = dict(plain.axes)
    for name in ("nod", "tilt"):
        axes[name] = dataclasses.replace(axes[name], drive=PairDrive("neck"))
    axes["jaw"] = dataclasses.replace(
        axes["jaw"],
        drive=FourBarDrive("jaw", 0.016, 0.06, 0.024, 0.062, math.radians(80.0)),
    )
    servos = dict(plain.servos)
    if springs:
        axes["nod"] = dataclasses.replace(axes["nod"], spring=Spring(-0.08, 0.1, 0.12), viscous_n_m_s=0.01)
        axes["jaw"] = dataclasses.replace(axes["jaw"], spring=Spring(0.01, 0.0, 0.02), viscous_n_m_s=0.0005)
        axes["turn"] = dataclasses.replace(axes["turn"], viscous_n_m_s=0.02)
        for name, servo in plain.servos.items():
            low = LowVoltageLine(4.8, servo.no_load_speed_rad_s * 0.85, servo.stall_torque_n_m * 0.8)
            servos[name] = dataclasses.replace(servo, low_line=low)
    pair = Pair("neck", ("nod", "tilt"), (_crank("left", 1.0), _crank("right", -1.0)))
    return dataclasses.replace(plain, axes=axes, servos=servos, pairs={"neck": pair})


def turn_above(figure: Figure) -> Figure:
    """The same head whose turn rides on the tilt: the rods end below it."""
    rides = {"nod": None, "tilt": "nod", "turn": "tilt", "jaw": "turn"}
    axes = {name: dataclasses.replace(figure.axes[name], carried_by=below) for name, below in rides.items()}
    masses = {
        name: dataclasses.replace(
            mass, carried_by={"tilt": "turn", "turn": "tilt"}.get(mass.carried_by, "jaw")
        )
        for name, mass in figure.masses.items()
    }
    return dataclasses.replace(figure, axes=axes, masses=masses)
