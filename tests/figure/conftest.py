"""A small figure as text, and its reading, for the tests of sequencer.figure."""

from __future__ import annotations

import pytest

from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure

GOOD = """\
name = "bust"
ambient_c = 25

[board]
kind = "uno"

[supply]
voltage_v = 6.0
rating_a = 8.0

[servos.turn]
pin = "D7"
speed_s_per_60deg = 0.17
stall_kgcm = 13
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
ends_us = [700, 2300]

[servos.nod]
pin = 8
speed_s_per_60deg = 0.17
stall_kgcm = 13
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
stall_a = 2.5
centre_us = 1480
reversed = true

[axes.turn]
range_deg = [-60, 60]
words = ["right", "left"]
turns_about = "up"
drive = { servo = "turn", ratio = 1.0 }

[axes.nod]
range_deg = [-20, 25]
home_deg = 0
parked_deg = 10
words = ["up", "down"]
turns_about = "left"
drive = { servo = "nod" }
carried_by = "turn"
friction_kgcm = 0.4

[masses.head]
shape = "hollow_sphere"
outer_diameter_mm = 160
inner_diameter_mm = 152
weight_g = 500
at_mm = [0, 0, 60]
carried_by = "nod"
basis = "measured"

[lamps.eye]
pin = "D5"
rest_percent = 20

[switches.bell]
pin = "A0"
lead_ms = 40
strike_ms = 100
max_on_s = 1.0

[inputs.beam]
pin = "D2"

[poses.look]
turn_deg = 20
"""


@pytest.fixture
def good_text() -> str:
    return GOOD


@pytest.fixture
def bust() -> Figure:
    return parse_figure(GOOD.encode())
