"""Analog inputs, colours, strings and the sound module in a figure file: what is read, what is refused."""

from __future__ import annotations

import pytest

from sequencer.errors import FigureError
from sequencer.figure import colours
from sequencer.figure.cross_outputs import most_leds
from sequencer.figure.model import NO_PIN
from sequencer.figure.read import parse_figure
from sequencer.figure.wiring import findings, pin_loads, rows
from tests.figure.small_text import figure_text, servo_text

SKY = """
[lamps.sky]
colour = "warm"
rest_percent = 50

[strings.dome]
pin = "D4"
leds = 24
follows = "sky"
"""
LANTERN = """
[lamps.lantern]
red_pin = "D3"
green_pin = "D5"
blue_pin = "D6"
forward_v = 2.0
"""
MODULE = """
[sound_module]
pin = "D10"
tracks = { greet = 3 }
lead_ms = 120
play = "7E 03 {track} EF"
"""


def read(*parts: str):
    return parse_figure(figure_text(*parts).encode())


def refused(*parts: str) -> str:
    with pytest.raises(FigureError) as caught:
        read(*parts)
    return str(caught.value)


def test_analog_inputs_are_read_and_wired():
    figure = read(
        servo_text("turn", 7, 5, 0.2),
        '[inputs.rail]\npin = "A0"\nkind = "current"\nmv_per_a = 185\noffset_mv = 2500',
        '[inputs.one]\npin = "A1"\nkind = "current"\nmv_per_a = 500\nwatches = "turn"\non_trip = "finish"',
        '[inputs.volts]\npin = "A2"\nkind = "voltage"\nmv_per_v = 500',
    )
    rail, one, volts = figure.sensors.values()
    assert (rail.watches, rail.limit_a, rail.on_trip) == (None, 9.0, "hold")
    assert (one.watches, one.limit_a, one.on_trip) == ("turn", None, "finish")
    assert volts.kind == "voltage"
    table = {row.pin: row for row in rows(figure)}
    assert "current of the servo supply" in table["A0"].does
    # 500 mV a volt is 1:1, an E24 value
    assert "divider: 1000 ohm" in table["A2"].connect
    assert not figure.inputs


@pytest.mark.parametrize(
    ("part", "says"),
    [
        ('[inputs.a]\npin = "D4"\nkind = "current"\nmv_per_a = 100', "D4"),
        ('[inputs.a]\npin = "A1"\nkind = "current"\nmv_per_a = 10', "mv_per_a"),
        ('[inputs.a]\npin = "A1"\nkind = "current"\nmv_per_a = 100\nwatches = "trun"', "did you mean `turn`"),
        ('[inputs.a]\npin = "A1"\nkind = "voltage"\nmv_per_v = 900', "more than 5 V"),
        ('[inputs.a]\npin = "A1"\nkind = "voltage"\nmv_per_a = 900', "mv_per_a"),
    ],
)
def test_analog_inputs_that_cannot_be(part, says):
    assert says in refused(servo_text("turn", 7, 5, 0.2), part)


def test_a_lamp_of_three_colours_has_three_pins():
    figure = read(LANTERN)
    lamp = figure.lamps["lantern"]
    assert lamp.rgb
    assert lamp.pins == (3, 5, 6)
    assert [load.pin for load in pin_loads(figure)] == [3, 5, 6]
    assert [row.what for row in rows(figure)][:3] == [f"lamp lantern {c}" for c in ("red", "green", "blue")]
    assert "one `pin`, or three" in refused(LANTERN.replace("blue_pin", "# blue_pin"))
    assert "cannot dim" in refused(LANTERN.replace("D6", "D7"))
    assert "no such colour" in refused(LANTERN + 'colour = "mauve"')


def test_a_string_follows_a_lamp_without_pins():
    figure = read(SKY)
    assert figure.lamps["sky"].pins == (NO_PIN,) * 3
    assert pin_loads(figure) == []
    (row,) = (row for row in rows(figure) if row.what == "string dome")
    assert "24 lamps, follows sky" in row.does
    assert "1.4 A" in row.connect  # 24 of 60 mA
    (note,) = findings(figure)
    assert (note.severity, note.value, note.limit) == ("note", pytest.approx(1440), 500)
    assert "2 A or more" in note.remedy
    assert not list(findings(read(SKY.replace("leds = 24", "leds = 8"))))
    assert "no string follows it" in refused(SKY.replace('follows = "sky"', 'follows = "ski"'))
    assert "did you mean `sky`" in refused(SKY.replace('follows = "sky"', 'follows = "ski"'))


def test_counts_that_do_not_fit_between_the_pulses_are_refused():
    servos = [servo_text(f"s{pin}", pin, 5, 0.2) for pin in (2, 3, 5, 6, 7, 8, 9, 10, 11, 12, 14, 15)]
    # the emulated boards write so many beside the worst pulses (tests/board/test_strings.py)
    assert [most_leds(count) for count in (11, 12, 17, 18, 23, 24)] == [40, 30, 30, 21, 21, 16]
    fits = most_leds(12)
    for count, good in ((fits, True), (fits + 1, False)):
        text = SKY.replace("leds = 24", f"leds = {count}")
        if good:
            assert read(*servos, text).strings["dome"].leds == count
        else:
            said = refused(*servos, text)
            assert "between the pulses of 12 servos" in said
            assert f"value: {count}, limit: {fits}" in said


def test_the_sound_module_is_read():
    module = read(MODULE).sound_module
    assert module is not None
    assert (module.message, module.place) == (bytes([0x7E, 3, 0, 0xEF]), 2)
    assert module.tracks == {"greet": 3}
    assert "only one pin" in refused(MODULE.replace("D10", "D9"))
    mega = MODULE.replace("D10", "D9")
    with pytest.raises(FigureError, match="limit: D12"):
        parse_figure(figure_text(mega).replace("uno", "mega").encode())
    for play in ("7E 3", "{track} {track}", "GG", "0x7E"):
        assert "is no message" in refused(MODULE.replace("7E 03 {track} EF", play)), play


def test_silence_is_a_track_that_can_be_told():
    module = read(MODULE + "silence = 99").sound_module
    assert module is not None
    assert module.silence == 99
    assert read(MODULE).sound_module.silence is None
    assert "names no track" in refused(MODULE.replace("{track}", "01") + "silence = 99")
    pulse = '[sound_module]\npin = "D9"\nkind = "pulse"\ntracks = { greet = 1 }\n'
    assert "knows no tracks" in refused(pulse + "silence = 99")
    assert "silence" in refused(MODULE + "silence = 256")


def test_colours_are_srgb_made_linear():
    """sRGB 128 has 0.215861 of the light of 255 (check-values 11: grey 128)."""
    assert colours.colour("#ff8000") == pytest.approx((1.0, 0.215861, 0.0), abs=1e-6)
    assert colours.colour("808080") == (1.0, 1.0, 1.0)
    for word in colours.WORDS:
        assert max(colours.colour(word)) == 1.0
    for bad in ("#000000", "mauve", "#12345"):
        with pytest.raises(ValueError, match="colour"):
            colours.colour(bad)


@pytest.mark.parametrize(
    ("level", "light"), [(0.01, 0.00110705), (0.08, 0.00885642), (0.5, 0.184187), (1, 1)]
)
def test_lightness_is_cies(level, light):
    """CIE L* of check-values 11."""
    assert colours.luminance(level) == pytest.approx(light, rel=1e-5)
    assert colours.lightness(light) == pytest.approx(level, rel=1e-5)


def test_a_lamp_of_three_colours_counts_three_times():
    """An Uno's player has four lamps: one in three colours leaves one more."""
    one = '[lamps.eye]\npin = "D11"\n'
    assert len(read(LANTERN, one).lamps) == 2
    said = refused(LANTERN, one, SKY)
    assert "too many lamps for an Uno" in said
    assert "value: 7," in said
    assert "counts three times" in said


def test_a_rail_says_which_level_is_power():
    rail = '[inputs.power]\npin = "A1"\nkind = "rail"\n'
    assert "which level" in refused(rail)
    for level in ("true", "false"):
        assert read(rail + f"active_low = {level}").inputs["power"].active_low is (level == "true")


def test_units_of_sensors_are_theirs():
    said = refused('[inputs.rail]\npin = "A0"\nkind = "current"\n')
    assert "add a line `mv_per_a = ...` in millivolts per ampere" in said
