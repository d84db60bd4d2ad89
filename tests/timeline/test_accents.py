"""Accents, the pace of a scene, and a landing's moment: how they are written and what comes of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.errors import SceneError
from sequencer.timeline.score import format_score, parse_score


def test_an_axis_is_somewhere_at_a_time(build) -> None:
    t = build(
        "0:01 jaw open 18, easy",
        "0:02.4 jaw is shut",
        "0:03 jaw is open 5",
        "0:03.5 jaw is 7",
        "0:04 jaw is home",
    )
    found = [(a.time_s, round(math.degrees(a.value_rad), 6), a.rest) for a in t.axes["jaw"].accents]
    assert found == [(2.4, 0, False), (3.0, 5, False), (3.5, 7, False), (4.0, 0, False)]
    assert t.axes["turn"].accents == ()


def test_the_end_of_the_range_is_meant_by_a_direction_alone(build) -> None:
    (accent,) = build("0:02 jaw is open", "length 0:04").axes["jaw"].accents
    assert math.degrees(accent.value_rad) == pytest.approx(22)


def test_a_landing_is_an_accent_at_rest_and_carries_what_rides_on_it(build) -> None:
    (plain,) = build("0:02 lands turn left 20, easy").axes["turn"].accents
    assert (plain.time_s, plain.rest, math.degrees(plain.value_rad)) == (2.0, True, pytest.approx(20))
    t = build("0:01 turn sways 3 for 4s, every 1s", "0:02.3 lands turn left 20 over 1s")
    (ridden,) = t.axes["turn"].accents
    assert ridden.value_rad == pytest.approx(t.axes["turn"].wish_rad[2300], abs=1e-6)
    assert math.degrees(ridden.value_rad) > 21
    assert not ridden.rest


def test_an_accent_beyond_the_range_is_told_and_kept_inside(build) -> None:
    t = build("0:02 jaw is 40", "length 0:04")
    assert [item.code for item in t.shortfalls] == ["range"]
    assert math.degrees(t.axes["jaw"].accents[0].value_rad) == pytest.approx(22)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("0:02 bell is shut", "switch"),
        ("0:02 jaw is left", "no direction `left`"),
        ("0:02 lands jaw is shut", "can land"),
        ("0:02 jaw is", "ends too early"),
        ("pace loud", "no pace of a scene"),
        ("pace quiet\npace full", "already has a pace"),
    ],
)
def test_what_cannot_be_is_refused(build, line, words) -> None:
    with pytest.raises(SceneError) as caught:
        build(*line.split("\n"), "0:03 jaw open 3, easy")
    assert words in caught.value.faults[0].message


def test_the_remedy_of_an_accent_is_a_time_and_an_angle_in_closed_form(build) -> None:
    t = build("0:01 jaw open 18 over 0.5s", "0:01.6 jaw is shut", "0:01.7 jaw open 18 over 1s", "length 0:09")
    (accent,) = t.axes["jaw"].accents
    assert accent.remedy.startswith("leave jaw open 18 at 0:01.")
    near = build(
        "0:01 jaw open 18 over 0.5s", "0:01.79 jaw is shut", "0:02.1 jaw open 18 over 1s", "length 0:09"
    )
    assert "go no further than jaw open" in near.axes["jaw"].accents[0].remedy


def test_accents_of_a_score_come_with_it_and_survive_being_written(build_in) -> None:
    text = "quarterjack score 1\naxis jaw deg\n0 0\n0.2 12\n0.4 0 accent\n0.6 14\n1 0\n"
    score = parse_score(text, "a.score")
    assert score.accents == {"jaw": ((0.4, 0.0),)}
    assert format_score(score) == text
    t = build_in({"a.score": text}, 'score "a.score" at 0:01')
    (accent,) = t.axes["jaw"].accents
    assert (accent.time_s, accent.value_rad, accent.rest) == (pytest.approx(1.4), 0.0, False)
    (stretch,) = t.axes["jaw"].sampled
    assert (stretch.start_s, stretch.end_s, stretch.line) == (1.0, 2.0, 2)


def test_an_idle_is_quiet_unless_told_otherwise(build) -> None:
    def top(*lines: str, idles: bool) -> tuple[float, list[str]]:
        t = build(*lines, "0:01 turn left 60, snap", "length 0:20", idles=idles)
        fastest = np.max(np.abs(np.diff(np.degrees(t.axes["turn"].wish_rad)))) / 0.001
        return float(fastest), [note for note in t.notes if "quarter" in note]

    loud, none = top(idles=False)
    assert loud > 150
    assert none == []
    quiet, told = top(idles=True)
    assert quiet == pytest.approx(50, rel=0.01)
    assert len(told) == 1
    assert top("pace full", idles=True) == (loud, [])
    assert top("pace quiet", idles=True) == (quiet, [])
    assert top("pace quiet", idles=False) == (quiet, [])


def test_a_quiet_sway_keeps_to_the_quarter_too(build) -> None:
    t = build("pace quiet", "0:01 turn sways 20 for 6s, every 1s")
    fastest = np.max(np.abs(np.diff(np.degrees(t.axes["turn"].wish_rad)))) / 0.001
    assert fastest <= 50.01
    assert [item.code for item in t.shortfalls] == ["rate"]
