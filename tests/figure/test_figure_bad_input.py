"""Values that a figure file cannot have: one clear message with line, value, limit and remedy."""

from __future__ import annotations

import re

import pytest

from sequencer.errors import FigureError
from sequencer.figure.read import parse_figure
from tests.figure.told_once import Case, told_once

CASES: list[Case] = [
    (
        "two servos on one pin",
        "pin = 8",
        "pin = 7",
        "pin = 7",
        ("pin D7 already serves servos.turn (line 11)", "its own pin"),
    ),
    (
        "lamp on a servo's pin",
        'pin = "D7"',
        'pin = "D5"',
        'pin = "D5"\nrest',
        ("pin D5 already serves servos.turn",),
    ),
    ("a pin the link owns", "pin = 8", "pin = 1", "pin = 1", ("pin D1 belongs to the link", "D2 to D12")),
    ("trigger on the link's pin", 'pin = "D2"', 'pin = "D0"', 'pin = "D0"', ("pin D0 belongs to the link",)),
    (
        "servo on D13",
        "pin = 8",
        "pin = 13",
        "pin = 13",
        ("D13 is blinked by the boot loader", "drive no servo"),
    ),
    ("switch on D13", 'pin = "A0"', 'pin = "D13"', 'pin = "D13"', ("drive no switch",)),
    ("trigger on D13", 'pin = "D2"', 'pin = "D13"', 'pin = "D13"', ("watch nothing",)),
    (
        "lamp on a pin without dimming",
        'pin = "D5"',
        'pin = "D4"',
        'pin = "D4"',
        ("cannot dim a lamp", "D3, D5, D6 or D11"),
    ),
    ("pin in strange words", 'pin = "D7"', 'pin = "seven"', 'pin = "seven"', ("is not a pin",)),
    (
        "pin that does not exist",
        "pin = 8",
        "pin = 44",
        "pin = 44",
        ("an Uno has no pin 44", "A0 to A5"),
    ),
    (
        "range outside the pulse range",
        "range_deg = [-20, 25]",
        "range_deg = [-20, 95]",
        "range_deg = [-20, 95]",
        ("beyond the servo's pulse range", "limit: [-91.8, 88.2] deg"),
    ),
    (
        "range outside the recorded ends",
        "range_deg = [-60, 60]",
        "range_deg = [-75, 60]",
        "range_deg = [-75, 60]",
        ("beyond the recorded ends", "limit: [-72, 72] deg", "range_deg = [-72, 72]"),
    ),
    (
        "range the wrong way round",
        "range_deg = [-60, 60]",
        "range_deg = [60, -60]",
        "range_deg = [60",
        ("first angle must be the smaller",),
    ),
    (
        "ratio that widens beyond the ends",
        "ratio = 1.0",
        "ratio = 2.0",
        "range_deg = [-60, 60]",
        ("limit: [-36, 36] deg",),
    ),
    (
        "home outside the range",
        "home_deg = 0",
        "home_deg = 30",
        "home_deg = 30",
        ("home lies outside", "-20 to 25 deg"),
    ),
    (
        "home outside by default",
        "range_deg = [-60, 60]",
        "range_deg = [10, 60]",
        "range_deg = [10, 60]",
        ("home lies outside",),
    ),
    (
        "parked outside the range",
        "parked_deg = 10",
        "parked_deg = -40",
        "parked_deg = -40",
        ("parked position lies outside",),
    ),
    ("zero mass", "weight_g = 500", "weight_g = 0", "weight_g = 0", ("must be more than zero",)),
    (
        "negative mass",
        "weight_g = 500",
        "weight_g = -5",
        "weight_g = -5",
        ("must be more than zero", "more than 0 grams"),
    ),
    (
        "hollow sphere that is no sphere",
        "inner_diameter_mm = 152",
        "inner_diameter_mm = 160",
        "inner_diameter_mm",
        ("hole is as big as the sphere", "less than 160 mm"),
    ),
    (
        "size of zero",
        "outer_diameter_mm = 160",
        "outer_diameter_mm = 0",
        "outer_diameter_mm",
        ("more than zero",),
    ),
    (
        "unknown shape",
        'shape = "hollow_sphere"',
        'shape = "holow_sphere"',
        "shape",
        ("no such shape", "did you mean `hollow_sphere`"),
    ),
    (
        "unknown servo",
        'servo = "nod"',
        'servo = "nodd"',
        'drive = { servo = "nodd"',
        ("no servo called `nodd`", "did you mean `nod`"),
    ),
    (
        "servo used twice",
        'servo = "nod"',
        'servo = "turn"',
        'drive = { servo = "turn" }',
        ("already drives the axis `turn`",),
    ),
    (
        "unknown carrier",
        'carried_by = "turn"',
        'carried_by = "trn"',
        'carried_by = "trn"',
        ("no axis called `trn`", "did you mean `turn`"),
    ),
    (
        "mass on an unknown axis",
        'carried_by = "nod"',
        'carried_by = "jaw"',
        'carried_by = "jaw"',
        ("no axis called `jaw`", "use one of: turn, nod"),
    ),
    (
        "axis that carries itself",
        'carried_by = "turn"',
        'carried_by = "nod"',
        'carried_by = "nod"\nfriction',
        ("carries itself",),
    ),
    (
        "axes in a ring",
        'turns_about = "up"',
        'turns_about = "up"\ncarried_by = "nod"',
        'carried_by = "nod"\ndrive',
        ("in a ring: turn on nod on turn",),
    ),
    ("pose of an unknown axis", "turn_deg = 20", "trun_deg = 20", "trun_deg", ("no axis called `trun`",)),
    (
        "pose outside the range",
        "turn_deg = 20",
        "turn_deg = 80",
        "turn_deg = 80",
        ("outside the range of `turn`", "-60 to 60 deg"),
    ),
    ("pose called home", "[poses.look]", "[poses.home]", "[poses.home]", ("`home` is made from `home_deg`",)),
    (
        "angle too big",
        "range_deg = [-20, 25]",
        "range_deg = [-20, 2500]",
        "range_deg = [-20, 2500]",
        ("2500 is too big", "at most 360 degrees"),
    ),
    (
        "torque too small",
        "stall_kgcm = 13",
        "stall_kgcm = 0.001",
        "stall_kgcm = 0.001",
        ("0.001 is too small", "at least 0.1 kg cm"),
    ),
    (
        "pulse too long",
        "ends_us = [700, 2300]",
        "ends_us = [700, 2700]",
        "ends_us",
        ("2700 is too big", "at most 2600 microseconds"),
    ),
    (
        "pulse too short",
        "ends_us = [700, 2300]",
        "ends_us = [300, 2300]",
        "ends_us",
        ("300 is too small", "at least 400 microseconds"),
    ),
    (
        "pulses the wrong way round",
        "ends_us = [700, 2300]",
        "ends_us = [2300, 700]",
        "ends_us",
        ("first end must be the shorter",),
    ),
    (
        "ends outside the pulse range",
        "ends_us = [700, 2300]",
        "ends_us = [450, 2300]",
        "ends_us",
        ("outside the servo's pulse range", "500 to 2500 us"),
    ),
    (
        "centre outside the pulse range",
        "centre_us = 1480",
        "centre_us = 450",
        "centre_us",
        ("centre lies outside",),
    ),
    (
        "a frame the player does not send",
        "stall_a = 2.5",
        "stall_a = 2.5\nframe_hz = 100",
        "frame_hz",
        ("100 is too big", "at most 50 hertz"),
    ),
    (
        "a ramp shorter than three frames",
        "friction_kgcm = 0.4",
        "friction_kgcm = 0.4\nramp_s = 0.02",
        "ramp_s",
        ("0.02 is too small", "at least 0.06 seconds"),
    ),
    (
        "knots the player does not know",
        "friction_kgcm = 0.4",
        "friction_kgcm = 0.4\nknot_ms = 50",
        "knot_ms",
        ("50 is not possible", "20, 40, 60 or 120"),
    ),
    (
        "no direction",
        'turns_about = "up"',
        'turns_about = "upward"',
        "turns_about",
        ("is no direction", "upward"),
    ),
    (
        "a direction of zeros",
        'turns_about = "up"',
        "turns_about = [0, 0, 0]",
        "turns_about",
        ("is no direction",),
    ),
    (
        "the same word twice",
        'words = ["up", "down"]',
        'words = ["up", "up"]',
        'words = ["up", "up"]',
        ("same word",),
    ),
    (
        "a name used twice",
        "[switches.bell]",
        "[switches.turn]",
        "[switches.turn]",
        ("already used in [axes.turn]",),
    ),
    (
        "a strike longer than allowed",
        "strike_ms = 100",
        "strike_ms = 3000",
        "strike_ms",
        ("longer than the switch may stay on", "1000 ms"),
    ),
    ("another board", 'kind = "uno"', 'kind = "unoo"', "kind", ("unoo is not possible here", '"uno"')),
    (
        "an input of another kind",
        "[inputs.beam]",
        '[inputs.beam]\nkind = "switch"',
        'kind = "switch"',
        ("switch is not possible here", '"trigger"'),
    ),
]


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_fault_is_told(good_text: str, case: Case) -> None:
    told_once(good_text, case)


def test_every_fault_at_once(good_text: str) -> None:
    text = good_text.replace("weight_g = 500", "weight_g = 0").replace("pin = 8", "pin = 1")
    text = text.replace("range_deg = [-60, 60]", "range_deg = [-80, 80]").replace(
        "lead_ms = 40", "lead_s = 0.04"
    )
    with pytest.raises(FigureError) as caught:
        parse_figure(text.encode())
    told = [fault.quantity for fault in caught.value.faults]
    assert told == ["servos.nod.pin", "axes.turn.range_deg", "masses.head.weight_g", "switches.bell.lead_s"]
    lines = [fault.line for fault in caught.value.faults]
    assert lines == sorted(line for line in lines if line is not None)


def test_the_printed_range_is_accepted(good_text: str) -> None:
    wide = good_text.replace("range_deg = [-20, 25]", "range_deg = [-359, 359]")
    with pytest.raises(FigureError) as caught:
        parse_figure(wide.encode())
    printed = re.search(r"write range_deg = (\[.*?\])", str(caught.value))
    assert printed is not None
    figure = parse_figure(wide.replace("[-359, 359]", printed.group(1)).encode())
    assert figure.axes["nod"].range_rad[1] > 1.5


@pytest.mark.parametrize(
    ("section", "body", "count"),
    [
        (
            "servos",
            "pin = {pin}\nspeed_s_per_60deg = 0.2\nstall_kgcm = 5\nat_v = 6\n"
            "pulse_us = [500, 2500]\ntravel_deg = 180",
            13,
        ),
        ("switches", "pin = {pin}", 9),
        ("inputs", "pin = {pin}", 5),
    ],
)
def test_too_many_for_the_board(section: str, body: str, count: int) -> None:
    head = 'name = "many"\nboard = { kind = "uno" }\nsupply = { voltage_v = 6, rating_a = 9 }\n'
    tables = "".join(f"[{section}.n{i}]\n{body.format(pin=2 + i % 11)}\n" for i in range(count))
    with pytest.raises(FigureError) as caught:
        parse_figure((head + tables).encode())
    assert f"too many {section} for an Uno" in str(caught.value)
