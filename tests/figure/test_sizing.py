"""`size`: rules of thumb at their numbers, ranges the right way round, and the figure sheet agrees."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.figure import sizing_words
from sequencer.figure.catalogue import CLASSES, smallest_for
from sequencer.figure.facts import facts
from sequencer.figure.limits import limits
from sequencer.figure.read import parse_figure
from sequencer.figure.sizing import BALL, SHELL, Asked, Range, Sizing, size
from sequencer.timeline.fastest import fastest_s
from sequencer.units import kgcm_from_n_m

#: The design's rule: 1.4 kg held 25 mm off its pivot is 3.5 kg cm.
KEEPER = Asked(mass_kg=1.4, width_m=0.19, balance_m=0.025, move_rad=math.radians(40), move_s=0.6)


def sized(**other: float) -> Sizing:
    return size(replace(KEEPER, **other), fastest_s)


def test_the_rule_of_thumb() -> None:
    """Design section 10: 1.4 kg at 25 mm is 3.5 kg cm; a third of stall and 65 % of the print follow."""
    found = sized()
    assert kgcm_from_n_m(found.bare.held_n_m) == pytest.approx(3.5)
    assert found.bare.by_holding
    # stall/3 = 3.5 + 5 % of stall; printed at 65 %.
    stall = 3.5 / (1 / 3 - 0.05)
    assert kgcm_from_n_m(found.bare.printed_n_m.high) == pytest.approx(stall / 0.65)
    assert found.counterweight is not None
    assert found.counterweight.mass_kg == pytest.approx(1.4 * 25 / 95)
    assert found.counterweight.need.printed_n_m.high < 0.4 * found.bare.printed_n_m.high
    assert found.spring_pull_kg == pytest.approx(3.5 / 2)


def test_the_move_by_hand() -> None:
    """40 deg in 0.6 s by 3-4-5: 5.7735 x 0.69813 / 0.36 = 11.196 rad/s2 on 2/5 to 2/3 m r2 + m d2."""
    found = sized()
    ball, shell = 0.4 * 1.4 * 0.095**2 + 1.4 * 0.025**2, 2 / 3 * 1.4 * 0.095**2 + 1.4 * 0.025**2
    assert found.bare.moved_n_m.low == pytest.approx(11.196 * ball, rel=1e-4)
    assert found.bare.moved_n_m.high == pytest.approx(11.196 * shell, rel=1e-4)
    top_deg_s = 1.875 * 40 / 0.6
    assert found.bare.printed_s_per_60deg == pytest.approx(60 / (2 * top_deg_s / 0.65))


def test_a_balanced_head_needs_no_counterweight() -> None:
    found = sized(balance_m=0.0)
    assert (found.counterweight, found.spring_pull_kg) == (None, None)
    assert not found.bare.by_holding


def test_too_quick_tells_the_time_in_which_it_goes() -> None:
    found = sized(move_s=0.2)
    assert found.servo is None
    assert found.shortest_s is not None
    assert sized(move_s=found.shortest_s).servo is not None
    assert sized(move_s=0.98 * found.shortest_s).servo is None
    assert "move less" in " ".join(sizing_words.sentences(found))


def test_too_heavy_for_any_servo_is_told_so() -> None:
    found = sized(mass_kg=30.0, balance_m=0.4)
    assert (found.servo, found.shortest_s) == (None, None)
    assert "No class of servo carries it" in " ".join(sizing_words.sentences(found))


def test_words_say_what_is_common_practice() -> None:
    text = " ".join(sizing_words.sentences(sized()))
    said = ("3.5 kg cm", "common practice", "rule of thumb", "typical", "a turn of 40 deg")
    assert all(words in text for words in (*said, "Balance before a bigger servo", "spring or elastic"))


@settings(max_examples=80, deadline=None)
@given(
    mass=st.floats(0.02, 6.0),
    width=st.floats(0.04, 0.5),
    balance=st.floats(0.0, 0.1),
    move=st.floats(5, 120),
    time=st.floats(0.1, 3.0),
)
def test_ranges_and_growth(mass: float, width: float, balance: float, move: float, time: float) -> None:
    asked = Asked(mass, width, balance, math.radians(move), time)
    found = size(asked, fastest_s)
    ranges = [found.bare.inertia_kg_m2, found.bare.moved_n_m, found.bare.printed_n_m]
    ranges += [ends for ends in (found.move_s, found.turn_s) if isinstance(ends, Range)]
    assert all(0.0 < ends.low <= ends.high for ends in ranges)
    harder = [replace(asked, mass_kg=2 * mass), replace(asked, move_s=0.7 * time)]
    harder.append(replace(asked, balance_m=balance + 0.05))
    for other in harder:
        assert size(other, fastest_s).bare.printed_n_m.high >= found.bare.printed_n_m.high
    assert sizing_words.as_json(found)["schema"] == 1


@pytest.mark.parametrize("share", [BALL, SHELL])
def test_the_figure_sheet_agrees(good_text: str, share: float) -> None:
    """The class that `size` names, in a figure with such a head: it carries it, as fast as was said.

    The head is an ellipsoid with the inertia of the ball or the shell at either end of the range.
    """
    found = sized(balance_m=0.01)
    name = found.bare.servos[1]
    assert name is not None
    axis = 2000.0 * 0.095 * math.sqrt(share / 0.4)
    start, end = good_text.index("[masses.head]"), good_text.index("[lamps.eye]")
    head = (
        f'[masses.head]\ncarried_by = "nod"\nshape = "sphere"\ndiameter_mm = {axis}\nweight_g = 1400\n'
        "at_mm = [0, 0, 10]\n"
    )
    text = good_text[:start] + head + good_text[end:]
    first, last = text.index("[servos.nod]"), text.index("[axes.turn]")
    text = text[:first] + f'[servos.nod]\npin = 8\nclass = "{name.name}"\n\n' + text[last:]
    # Held level: gravity is at its worst within the range; the friction is the typical one.
    text = text.replace("range_deg = [-20, 25]", "range_deg = [-90, 90]").replace("friction_kgcm = 0.4\n", "")
    text = text.replace("voltage_v = 6.0", f"voltage_v = {name.at_v}")
    known = facts(parse_figure(text.encode()))
    worst = known.physics["nod"]
    assert worst.gravity_torque_n_m == pytest.approx(found.bare.held_n_m, rel=1e-6)
    assert not [item for item in known.findings if item.code == "torque" and item.channel == "nod"]
    top = limits(known.figure, "nod")
    assert top.velocity_rad_s * 1.05 >= 1.875 * math.radians(40) / 0.6
    assert worst.available_torque_n_m >= found.bare.moved_n_m.low * share / BALL * 0.9


def test_the_catalogue_is_in_order_and_typical() -> None:
    rows = list(CLASSES.values())
    assert [row.stall_kgcm for row in rows] == sorted(row.stall_kgcm for row in rows)
    for row in rows:
        assert row.sold_kgcm[0] <= row.stall_kgcm <= row.sold_kgcm[1]
    assert smallest_for(4.0, 1.0) is CLASSES["standard"]
    assert smallest_for(1000.0, 1.0) is None
