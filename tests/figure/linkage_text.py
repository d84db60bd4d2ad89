"""A head on two push-rods with a four-bar jaw, as the text of a figure file."""

from __future__ import annotations

from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure

HEAD = """\
name = "head"

[board]
kind = "uno"

[supply]
voltage_v = 6.0
rating_a = 12.0

[servos.left]
pin = "D8"
speed_s_per_60deg = 0.16
stall_kgcm = 20
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
ends_us = [980, 2020]

[servos.right]
pin = "D4"
speed_s_per_60deg = 0.16
stall_kgcm = 20
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
reversed = true
ends_us = [980, 2020]

[servos.jaw]
pin = "D10"
speed_s_per_60deg = 0.085
stall_kgcm = 2.8
at_v = 6.0
pulse_us = [600, 2400]
travel_deg = 180
centre_us = 1400

[axes.nod]
range_deg = [-28, 26]
words = ["up", "down"]
turns_about = "left"
drive = { linkage = "neck" }

[axes.tilt]
range_deg = [-22, 22]
words = ["left", "right"]
turns_about = "forward"
drive = { linkage = "neck" }
carried_by = "nod"

[axes.jaw]
range_deg = [0, 25]
words = ["shut", "open"]
turns_about = "left"
pivot_mm = [10, 0, 45]
drive = { linkage = "mouth" }
carried_by = "tilt"

[linkages.neck]
kind = "pair"
axes = ["nod", "tilt"]

[linkages.neck.left]
servo = "left"
axle_mm = [2, 34, -90]
plane_deg = 180
crank_mm = 40
rod_mm = 90
joint_mm = [-38, 34, 0]

[linkages.neck.right]
servo = "right"
axle_mm = [2, -34, -90]
plane_deg = 180
crank_mm = 40
rod_mm = 90
joint_mm = [-38, -34, 0]

[linkages.mouth]
kind = "fourbar"
servo = "jaw"
crank_mm = 14
coupler_mm = 42
rocker_mm = 16
ground_mm = 42
crank_deg = 76

[masses.head]
shape = "sphere"
diameter_mm = 180
weight_g = 1200
at_mm = [0, 0, 20]
carried_by = "tilt"
"""


def head(*changes: tuple[str, str]) -> Figure:
    """The head with some of its text replaced; a piece that is not there is a mistake of the test."""
    text = HEAD
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_figure(text.encode())
