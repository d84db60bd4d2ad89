"""Keys, units, names and TOML that are written wrong: one clear message on the line that has to change."""

from __future__ import annotations

import pytest

from sequencer.errors import FigureError
from sequencer.figure.read import parse_figure
from tests.figure.linkage_text import HEAD
from tests.figure.told_once import Case, told_once

CASES: list[Case] = [
    (
        "unknown key",
        "travel_deg = 180\nends_us",
        "travel_deg = 180\ncolour = 3\nends_us",
        "colour = 3",
        ("unknown key `colour`", "keys known here"),
    ),
    (
        "misspelt key",
        "speed_s_per_60deg = 0.17",
        "speed_s_per_60degs = 0.17",
        "speed_s_per_60degs",
        ("did you mean `speed_s_per_60deg`",),
    ),
    (
        "wrong unit",
        "speed_s_per_60deg = 0.17",
        "speed_ms_per_60deg = 170",
        "speed_ms_per_60deg",
        ("wrong unit", "seconds for 60 degrees", "speed_s_per_60deg"),
    ),
    (
        "wrong unit of mass",
        "weight_g = 500",
        "weight_kg = 0.5",
        "weight_kg",
        ("wrong unit", "grams", "`weight_g`"),
    ),
    ("no unit", "weight_g = 500", "weight = 500", "weight = 500", ("needs its unit", "`weight_g`", "grams")),
    (
        "unknown table",
        "[poses.look]",
        "[pose.look]",
        "[pose.look]",
        ("unknown key `pose`", "did you mean `poses`"),
    ),
    (
        "missing key",
        "stall_kgcm = 13\n",
        "",
        "[servos.turn]",
        ("servos.turn.stall_kgcm: is missing", "kg cm"),
    ),
    ("missing table", "[supply]\nvoltage_v = 6.0\nrating_a = 8.0\n", "", "", ("supply: is missing",)),
    (
        "table without a name",
        "[lamps.eye]",
        "[lamps]",
        'pin = "D5"',
        ("without a lamp's name", "[lamps.NAME]"),
    ),
    ("text for a number", "stall_a = 2.5", 'stall_a = "2.5"', "stall_a", ("must be a number of amperes",)),
    ("number for a flag", "reversed = true", "reversed = 1", "reversed = 1", ("must be true or false",)),
    ("no shape", 'shape = "hollow_sphere"\n', "", "[masses.head]", ("shape: is missing", '"box"')),
    ("pose without unit", "turn_deg = 20", "turn = 20", "turn = 20", ("needs its unit", "turn_deg")),
    ("nan", "stall_a = 2.5", "stall_a = nan", "stall_a = nan", ("not nan or inf",)),
    ("inf", "weight_g = 500", "weight_g = inf", "weight_g = inf", ("not nan or inf",)),
    ("nan in a list", "at_mm = [0, 0, 60]", "at_mm = [0, nan, 60]", "at_mm", ("not nan or inf", "at_mm[1]")),
    (
        "a number too big",
        "weight_g = 500",
        "weight_g = 1e9",
        "weight_g = 1e9",
        ("1e+09 is too big", "at most 100000 grams"),
    ),
    ("a whole number too big", "weight_g = 500", "weight_g = 1" + "0" * 400, "weight_g", ("too big",)),
    ("thousands of digits", "weight_g = 500", "weight_g = 1" + "0" * 9000, "", ("too many digits",)),
    (
        "one pulse of two",
        "ends_us = [700, 2300]",
        "ends_us = [700]",
        "ends_us",
        ("must have 2 values", "ends_us = [900, 2100]"),
    ),
    (
        "a word with a space",
        'words = ["up", "down"]',
        'words = ["up", "down low"]',
        'words = ["up", "down low"]',
        ("cannot be used as a word",),
    ),
    (
        "a word of the language",
        'words = ["up", "down"]',
        'words = ["up", "then"]',
        'words = ["up", "then"]',
        ("word of the scene language",),
    ),
    (
        "a name with a capital",
        "[poses.look]",
        "[poses.Look]",
        "[poses.Look]",
        ("name cannot be used", "small letters"),
    ),
    (
        "a reserved name",
        "[switches.bell]",
        "[switches.home]",
        "[switches.home]",
        ("word of the scene language",),
    ),
    ("no name", 'name = "bust"', 'name = ""', "name", ("must not be empty",)),
    ("syntax", "[supply]", "[supply", "[supply", ("cannot be read as TOML",)),
    (
        "a key twice",
        "rating_a = 8.0",
        "rating_a = 8.0\nrating_a = 9.0",
        "rating_a = 9.0",
        ("cannot be read as TOML",),
    ),
    ("text without quotes", 'name = "bust"', "name = bust", "name = bust", ("cannot be read as TOML",)),
    ("an end missing", "turn_deg = 20\n", "turn_deg = [20", "turn_deg", ("cannot be read as TOML",)),
    ("a table twice", "[poses.look]", "[lamps.eye]", "[lamps.eye]\nturn", ("[lamps.eye] is there twice",)),
    ("a value missing", "stall_a = 2.5", "stall_a =  # amps", "stall_a =", ("the value is missing",)),
    ("text not closed", 'pin = "D7"', 'pin = "D7', 'pin = "D7', ("not closed on its line",)),
    ("a list not closed", "[500, 2500]", "[500, 2500", "[500, 2500", ("begins here is not closed", "]")),
    ("the last list not closed", "turn_deg = 20\n", "turn_deg = [1,\n2\n\n", "turn_deg = [", ("not closed",)),
    ("text to the end", "turn_deg = 20\n", 'turn_deg = """2\n\n\n', 'turn_deg = """2', ("not closed",)),
    (
        "a number in quotes",
        "weight_g = 500",
        'weight_g = "500 g"',
        "weight_g",
        ("write weight_g = 500, without",),
    ),
    (
        "kilograms in quotes",
        "weight_g = 500",
        'weight_g = "0.5 kg"',
        "weight_g",
        ("a number after weight_g",),
    ),
]


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_fault_is_told(good_text: str, case: Case) -> None:
    told_once(good_text, case)


def test_not_utf8_says_the_line(good_text: str) -> None:
    data = good_text.encode().replace(b'"bust"', b'"b\xfcste"')
    with pytest.raises(FigureError) as caught:
        parse_figure(data, "figure.toml")
    assert caught.value.faults[0].line == 1
    assert "0xfc is not UTF-8" in str(caught.value)
    assert "UTF-8" in (caught.value.faults[0].remedy or "")


def test_an_axis_with_a_slip_does_not_make_its_linkage_look_idle() -> None:
    """The axis that uses the four-bar cannot be read; that is told, and nothing of the four-bar."""
    with pytest.raises(FigureError) as caught:
        parse_figure(HEAD.replace('words = ["shut", "open"]', 'wrods = ["shut", "open"]').encode())
    assert [fault.quantity for fault in caught.value.faults] == ["axes.jaw.wrods"]
