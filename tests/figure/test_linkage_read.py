"""Springs, counterweights, clearances and a second voltage, as read."""

from __future__ import annotations

import math

import pytest

from sequencer.errors import FigureError
from sequencer.figure.linkage import linkage_of
from sequencer.figure.model import FourBarDrive, PairDrive
from tests.figure.linkage_text import head

KGCM = 0.0980665
CLEAR = '[clearances.chin]\naxis = "jaw"\nat_most_deg = 12\nwhen = "nod"\nabove_deg = 10\n\n'


def test_linkages_are_read_in_metres_and_radians() -> None:
    figure = head()
    assert figure.axes["nod"].drive == PairDrive("neck")
    pair = figure.pairs["neck"]
    assert pair.axes == ("nod", "tilt")
    assert pair.line
    left = pair.cranks[0]
    assert (left.servo, left.pivot_m, left.crank_m, left.rod_m) == ("left", (0.002, 0.034, -0.09), 0.04, 0.09)
    assert left.plane_rad == pytest.approx(math.pi)
    assert figure.axes["jaw"].drive == FourBarDrive(
        "jaw", 0.014, 0.042, 0.016, 0.042, math.radians(76), name="mouth"
    )


def test_friction_that_nobody_measured_is_a_share_of_what_the_servos_give_at_the_axis() -> None:
    figure = head()
    assert figure.axes["nod"].friction_basis == "typical"
    # Both servos push the nod: more than one of them gives alone, about twice as much here.
    alone = 0.05 * figure.servos["left"].stall_torque_n_m * figure.servos["left"].torque_derating
    assert 1.2 * alone < figure.axes["nod"].friction_n_m < 2.2 * alone


def test_a_spring() -> None:
    spring = "spring = { torque_kgcm = 1.5, at_deg = 10, rate_kgcm_per_deg = 0.02 }"
    found = head(('words = ["up", "down"]', f'words = ["up", "down"]\n{spring}')).axes["nod"].spring
    assert found
    assert found.torque_n_m == pytest.approx(1.5 * KGCM)
    assert found.at_rad == pytest.approx(math.radians(10))
    assert found.rate_n_m_rad == pytest.approx(0.02 * KGCM * 180 / math.pi)


def test_a_counterweight_is_a_mass_of_its_axis() -> None:
    weight = "counterweight = { weight_g = 240, at_mm = [-92, 0, -64] }"
    figure = head(('words = ["left", "right"]', f'words = ["left", "right"]\n{weight}'))
    lump = figure.masses["tilt_counterweight"]
    assert (lump.carried_by, lump.mass_kg, lump.centre_m) == ("tilt", 0.24, (-0.092, 0.0, -0.064))
    # A steel ball of 240 g: 4/3 pi r^3 7850 = 0.24.
    radius = (0.24 / 7850 / (4 / 3 * math.pi)) ** (1 / 3)
    assert lump.inertia_kg_m2[0][0] == pytest.approx(0.4 * 0.24 * radius**2)


def test_a_second_voltage_drag_and_what_a_servo_holds() -> None:
    line = "low_line = { at_v = 4.8, speed_s_per_60deg = 0.2, stall_kgcm = 16 }"
    line += "\ncontinuous_percent = 30\nweight_g = 60"
    figure = head(
        ("stall_kgcm = 20", f"stall_kgcm = 20\n{line}"),
        ('words = ["shut", "open"]', 'words = ["shut", "open"]\ndrag_kgcm = 0.1'),
    )
    servo = figure.servos["left"]
    assert servo.low_line
    assert servo.low_line.at_v == 4.8
    assert servo.low_line.no_load_speed_rad_s == pytest.approx(math.radians(300))
    assert servo.low_line.stall_torque_n_m == pytest.approx(16 * KGCM)
    assert (servo.continuous_share, servo.weight_kg) == (0.3, 0.06)
    assert figure.axes["jaw"].viscous_n_m_s == pytest.approx(0.1 * KGCM / math.radians(100))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("{ at_v = 7.4, speed_s_per_60deg = 0.2, stall_kgcm = 16 }", ("lower voltage", "less than 6 V")),
        ("{ at_v = 4.8, speed_s_per_60deg = 0.1, stall_kgcm = 16 }", ("faster or stronger",)),
        ("{ at_v = 4.8, speed_s_per_60deg = 0.2, stall_kgcm = 25 }", ("faster or stronger",)),
        ("{ at_v = 4.8, speed_s_per_60deg = 0.2 }", ("low_line.stall_kgcm", "missing")),
    ],
)
def test_lines_that_cannot_be(line: str, words: tuple[str, ...]) -> None:
    with pytest.raises(FigureError) as caught:
        head(("stall_kgcm = 20", f"stall_kgcm = 20\nlow_line = {line}"))
    for word in words:
        assert word in str(caught.value)


def test_a_clearance() -> None:
    found = head(("[masses.head]", CLEAR + "[masses.head]")).clearances["chin"]
    assert (found.channel, found.keep_side, found.when, found.when_side) == ("jaw", -1, "nod", 1)
    assert found.keep_rad == pytest.approx(math.radians(12))
    assert found.when_rad == pytest.approx(math.radians(10))
    other = CLEAR.replace("at_most_deg = 12", "at_least_deg = 0").replace("above_deg", "below_deg")
    found = head(("[masses.head]", other + "[masses.head]")).clearances["chin"]
    assert (found.keep_side, found.when_side) == (1, -1)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('axis = "jaw"', 'axis = "jawe"', ("no axis called `jawe`",)),
        ('when = "nod"', 'when = "jaw"', ("its own condition",)),
        ("above_deg = 10\n", "", ("neither of above_deg and below_deg",)),
        ("above_deg = 10", "above_deg = 10\nbelow_deg = 3", ("both of above_deg and below_deg",)),
        ("at_most_deg = 12\n", "", ("neither of at_most_deg and at_least_deg",)),
        ("at_most_deg = 12", "at_most_deg = 120", ("outside the axis's range", "0 to 25 deg")),
        ("above_deg = 10", "above_deg = 100", ("outside the axis's range", "-28 to 26 deg")),
        ("at_most_deg = 12\nwhen", "at_least_deg = 5\nwhen", ()),
    ],
)
def test_clearances_that_cannot_be(old: str, new: str, words: tuple[str, ...]) -> None:
    text = CLEAR.replace(old, new)
    assert text != CLEAR
    if not words:  # home keeps it, because the nod is not beyond 10 there
        assert head(("[masses.head]", text + "[masses.head]")).clearances
        return
    with pytest.raises(FigureError) as caught:
        head(("[masses.head]", text + "[masses.head]"))
    for word in words:
        assert word in str(caught.value)


def test_a_clearance_that_home_breaks() -> None:
    text = CLEAR.replace("at_most_deg = 12", "at_least_deg = 5").replace("above_deg = 10", "above_deg = -10")
    with pytest.raises(FigureError) as caught:
        head(("[masses.head]", text + "[masses.head]"))
    assert "the home pose breaks it" in str(caught.value)


def test_the_linkage_of_an_axis() -> None:
    figure = head()
    assert linkage_of(figure, "tilt") is not None
    assert linkage_of(figure, "tilt").axes == ("nod", "tilt")
