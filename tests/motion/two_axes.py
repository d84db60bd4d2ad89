"""A head on two direct servos: a balanced turn and a nod that fights gravity. For tests and benchmarks."""

from __future__ import annotations

from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure

TEXT = """\
name = "nodder"
ambient_c = 20
board = { kind = "uno" }
supply = { voltage_v = 6.0, rating_a = 12.0 }

[servos.turn]
pin = "D7"
speed_s_per_60deg = 0.14
stall_kgcm = 20
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180

[servos.nod]
pin = "D8"
speed_s_per_60deg = 0.14
stall_kgcm = 20
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180

[axes.turn]
range_deg = [-80, 80]
words = ["right", "left"]
turns_about = "up"
drive = { servo = "turn" }
friction_kgcm = 0.4
ramp_s = 0.08

[axes.nod]
range_deg = [-50, 50]
words = ["up", "down"]
turns_about = "left"
drive = { servo = "nod" }
carried_by = "turn"
friction_kgcm = 0.4
ramp_s = 0.08

[masses.skull]
shape = "hollow_sphere"
outer_diameter_mm = 240
inner_diameter_mm = 220
weight_g = 1600
at_mm = [30, 0, 0]
carried_by = "nod"
"""


def two_axes() -> Figure:
    """Inertia is what limits the turn; holding the nod takes about a third of its servo's stall torque."""
    return parse_figure(TEXT.encode())
