"""A small figure for the checks."""

from __future__ import annotations

import pytest

from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure

TEXT = """
name = "bust"
board = { kind = "uno" }
supply = { voltage_v = 6.0, rating_a = 3.0 }
[servos.one]
pin = 7
speed_s_per_60deg = 0.17
stall_kgcm = 13
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
stall_a = 2.5
[servos.two]
pin = 8
speed_s_per_60deg = 0.1
stall_kgcm = 2
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
stall_a = 1.0
[axes.axis]
range_deg = [-60, 60]
words = ["right", "left"]
turns_about = "up"
drive = { servo = "one" }
[axes.jaw]
range_deg = [-10, 20]
words = ["shut", "open"]
turns_about = "left"
drive = { servo = "two" }
"""


@pytest.fixture
def bust() -> Figure:
    return parse_figure(TEXT.encode())
