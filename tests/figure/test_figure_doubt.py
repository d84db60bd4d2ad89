"""Numbers that nobody measured widen to ranges, and a measurement narrows them again."""

from __future__ import annotations

import pytest

from sequencer.figure import doubt
from sequencer.figure.doubt import Between, least_sure, said
from sequencer.figure.facts import facts
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure
from sequencer.figure.sheet import verdict


def _load(figure: Figure, axis: str) -> doubt.Load:
    return doubt.load(figure, figure.axes[axis], facts(figure).physics[axis])


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (4.1, 7.2, "4.1 to 7.2 kg cm"),
        (12.4, 24.6, "12 to 25 kg cm"),
        (5.01, 5.02, "5.0 kg cm"),
        (0.0, 0.333, "0 to 0.33 kg cm"),
        (0.0, 0.0, "0 kg cm"),
    ],
)
def test_ranges_in_words(low: float, high: float, words: str) -> None:
    assert said(Between(low, high, "typical"), "kg cm") == words


def test_the_least_sure_basis_names_the_whole() -> None:
    assert least_sure(["measured", "typical", "datasheet"]) == "typical"
    assert least_sure(["measured", "guess", "typical"]) == "guess"
    assert least_sure([]) == "measured"


def test_a_typical_derating_is_a_range_and_a_stated_one_is_not(good_text: str) -> None:
    """Common practice: servos give 60 to 70 % of their print."""
    typical = _load(parse_figure(good_text.encode()), "nod").stall
    assert typical.low == pytest.approx(0.60 * 13.0 * 0.0980665)
    assert typical.high == pytest.approx(0.70 * 13.0 * 0.0980665)
    assert typical.basis == "typical"
    stated = good_text.replace("centre_us = 1480", "torque_derating = 0.62\nspeed_derating = 0.65")
    known = _load(parse_figure(stated.encode()), "nod").stall
    assert known.low == known.high == pytest.approx(0.62 * 13.0 * 0.0980665)


def test_a_class_is_as_wide_as_what_is_sold_under_its_name(good_text: str) -> None:
    lines = ("speed_s_per_60deg = 0.17", "stall_kgcm = 13", "at_v = 6.0", "pulse_us = [500, 2500]")
    head, tail = good_text.split("[servos.nod]")
    for line in (*lines, "travel_deg = 180", "stall_a = 2.5"):
        tail = tail.replace(f"{line}\n", "", 1)
    figure = parse_figure(f'{head}[servos.nod]\nclass = "standard"{tail}'.encode())
    stall = _load(figure, "nod").stall
    assert stall.basis == "typical"
    assert stall.high / stall.low == pytest.approx(7.0 / 3.0 * 0.70 / 0.60)


def test_a_measured_friction_is_surer_than_a_typical_one(good_text: str) -> None:
    figure = parse_figure(good_text.encode())
    measured, typical = _load(figure, "nod").friction, _load(figure, "turn").friction
    assert measured.basis == "measured"
    assert measured.low == measured.high
    assert typical.basis == "typical"
    assert typical.high / typical.low == pytest.approx(5.0)


def test_guessed_masses_widen_gravity(good_text: str) -> None:
    measured = _load(parse_figure(good_text.encode()), "nod").gravity
    guessed = _load(
        parse_figure(good_text.replace('basis = "measured"', 'basis = "guess"').encode()), "nod"
    ).gravity
    assert (measured.basis, guessed.basis) == ("measured", "guess")
    middle = (measured.low + measured.high) / 2.0
    assert (guessed.low + guessed.high) / 2.0 == pytest.approx(middle)
    # The head sits 60 mm above its pivot: 500 g there weigh 0.294 N m, of which 30 % are in doubt.
    assert guessed.high - middle == pytest.approx(0.3 * 0.5 * 9.80665 * 0.06)
    assert measured.high - middle == pytest.approx(0.05 * 0.5 * 9.80665 * 0.06)


@pytest.mark.parametrize(
    ("weight_g", "word"), [(300, "yes"), (820, "probably"), (1300, "barely"), (4000, "no")]
)
def test_the_verdict_follows_the_range(good_text: str, weight_g: int, word: str) -> None:
    figure = parse_figure(good_text.replace("weight_g = 500", f"weight_g = {weight_g}").encode())
    known = facts(figure)
    seen = doubt.load(figure, figure.axes["nod"], known.physics["nod"])
    assert verdict(known, "nod", seen) == word


def test_the_range_holds_what_the_limits_count_with(good_text: str) -> None:
    for text in (good_text, good_text.replace("weight_g = 500", "weight_g = 1300")):
        for name in ("turn", "nod"):
            seen = _load(parse_figure(text.encode()), name)
            assert seen.share.low <= seen.nominal_share <= seen.share.high
