"""What the author cares about, on planned motion: accents, holds, imported swings, quiet idles."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sequencer.motion.landing import joined, landing_rows
from sequencer.timeline.model import Accent, AxisWish, Timeline
from tests.motion.author_scenes import LIMITS, done, specs

#: A hold stays within this of its angle until its cue begins, degrees.
STILL_DEG = 0.1


# -- rows ---------------------------------------------------------------------------------------


def test_a_row_is_the_curve_and_its_slope_at_the_moment() -> None:
    spec = specs()["turn"]
    accents = (Accent(0.5, 0.2, True, 1), Accent(1.2, -0.1, False, 2))
    still = np.zeros(1201)
    wish = AxisWish("turn", still, still, accents)
    rows = landing_rows(Timeline("s", 1.2, False, {"turn": wish}, {}, {}, ()), None, [spec])
    assert rows is not None
    assert rows.span.tolist() == [8, 8, 19]
    points = np.random.default_rng(3).normal(size=23)

    def at(time_s: float) -> float:
        """De Boor's recursion, the long way."""
        x = time_s / spec.knot_s
        span = min(math.floor(x), 19)
        d = [points[span + j] for j in range(4)]
        for r in range(1, 4):
            for j in range(3, r - 1, -1):
                share = (x - (span + j - 3)) / (4 - r)
                d[j] = (1 - share) * d[j - 1] + share * d[j]
        return float(d[3])

    values = [float(row @ points[s : s + 4]) for row, s in zip(rows.coefficients, rows.span, strict=True)]
    assert values[0] == pytest.approx(at(0.5))
    assert values[1] == pytest.approx((at(0.5001) - at(0.4999)) / 0.0002 * spec.knot_s, rel=1e-5)
    assert values[2] == pytest.approx(at(1.2))
    middle = 0.5 * (rows.low + rows.high)
    assert middle[0] == pytest.approx(spec.value_zero + 0.2 * spec.value_per_rad)
    assert middle[1] == 0.0
    assert np.isfinite(rows.price).all()


def test_rows_of_two_makers_are_joined_in_order() -> None:
    spec = specs()["turn"]
    still = np.zeros(1201)

    def rows(*times: float):
        wish = AxisWish("turn", still, still, tuple(Accent(t, 0.1, False, 1) for t in times))
        return landing_rows(Timeline("s", 1.2, False, {"turn": wish}, {}, {}, ()), None, [spec])

    both = joined(rows(0.3, 0.9), rows(0.6))
    assert both is not None
    assert both.span.tolist() == [5, 10, 15]
    assert joined(None, None) is None
    assert joined(rows(0.3), None) is not None


# -- accents ------------------------------------------------------------------------------------


def test_the_jaw_is_shut_on_a_hard_consonant() -> None:
    """It leaves what it does for it, in either direction, and is back as soon as it can be."""
    scene = done("0:01 jaw open 18, easy", "0:02.4 jaw is shut", "length 0:05")
    jaw = scene.deg("jaw")
    assert abs(jaw[2400]) <= 0.15
    assert abs(jaw[2100] - 18) < 0.5
    assert abs(jaw[2700] - 18) < 0.5
    assert scene.timeline.shortfalls == ()
    assert abs(done("0:01 jaw open 18, easy", "length 0:05").deg("jaw")[2400] - 18) < 0.1


def test_a_landing_is_at_its_angle_and_at_rest_on_its_time() -> None:
    scene = done("0:02 lands turn left 30, snap", "0:04 lands turn right 20, brisk", "length 0:06")
    turn = scene.deg("turn")
    for at, angle in ((2000, 30), (4000, -20)):
        assert abs(turn[at] - angle) <= 0.12
        assert np.max(np.abs(turn[at : at + 200] - angle)) <= 0.15
    assert scene.timeline.shortfalls == ()


def test_without_its_rows_a_hurried_accent_would_be_smeared() -> None:
    """Between two angles as near in time as the axis can go, the way as written alone misses the middle."""
    words = ("0:01 turn left 20 over 1s", "then turn right 20 over 0.6s", "then turn left 20 over 0.6s")
    plain = done(*words, "length 0:09").deg("turn")
    accented = done(*words, "0:02.6 turn is right 5", "length 0:09").deg("turn")
    assert abs(plain[2600] + 5) > 3
    assert abs(accented[2600] + 5) <= 0.15


@settings(deadline=None, max_examples=12)
@given(st.floats(0.02, 0.1).map(lambda x: round(x, 2)), st.integers(12, 20))
def test_the_remedies_of_a_missed_landing_certify(ahead, angle) -> None:
    scene = done(f"{ahead}s lands jaw open {angle}, snap")
    (missed,) = scene.told("sync")
    assert missed.severity == "warning"
    assert missed.unit == "deg"
    assert missed.value == pytest.approx(float(scene.deg("jaw")[round(ahead * 1000)]), abs=1e-3)
    assert re.match(rf"line 2: jaw [\w. ]+ at 0:00.\d+ instead of jaw open {angle}", missed.message)
    late = re.search(r"it gets there ([\d.]+) s late$", missed.message)
    assert late is not None
    about = round((ahead + float(late[1])) * 1000)  # as printed, to a hundredth
    assert np.min(np.abs(scene.deg("jaw")[about - 6 : about + 7] - angle)) <= 0.5
    when = re.match(r"let it land at ([\d:.]+) or later", missed.remedy)
    assert when is not None
    assert not done(f"{when[1]} lands jaw open {angle}, snap").timeline.shortfalls


def test_two_accents_too_near_each_other_name_each_other() -> None:
    first, second = "0:01 turn is left 30", "0:01.2 turn is right 30"
    early, late = done(first, second).told("sync")
    assert {early.severity, late.severity} == {"warning"}
    when = re.match(r"be at turn right 30 at ([\d:.]+) or later", early.remedy)
    assert when is not None
    assert not done(first, f"{when[1]} turn is right 30", "length 0:06").timeline.shortfalls


def test_an_accent_that_the_moves_about_it_give_way_to_is_told_and_cured() -> None:
    lines = ("0:01 turn left 40 over 1.5s", "{} turn is right 10", "0:06 turn left 30 over 1.5s")
    (gave,) = done(lines[0], lines[1].format("0:02.8"), lines[2]).told("sync")
    assert gave.severity == "note"
    assert gave.message == "line 3: turn right 10 is on time at 0:02.80; the moves about it give way"
    leave = re.fullmatch(r"leave turn left 40 at 0:0([\d.]+) or sooner", gave.remedy)
    assert leave is not None
    sooner = 2.5 - float(leave[1])
    assert sooner > 0
    start = f"0:{1 - sooner:05.2f} turn left 40 over 1.5s"
    assert not done(start, lines[1].format("0:02.8"), lines[2]).told("sync")


def test_a_score_with_an_accent_that_is_too_near(tmp_path: Path) -> None:
    def told(top: float, ahead_s: float) -> list:
        there, on = 1 + ahead_s, 4 + ahead_s
        text = (
            f"quarterjack score 1\naxis turn deg\n0 0\n1 {top:g}\n{there:g} 0 accent\n{on:g} {top:g}\n9 0\n"
        )
        (tmp_path / "a.score").write_text(text)
        return done('score "a.score" at 0:01', "length 0:12", folder=tmp_path).told("sync")

    (gave,) = told(60, 0.3)
    assert gave.channel == "turn"
    leave = re.search(r"leave turn left 60 at 0:0([\d.]+) or sooner", gave.remedy)
    assert leave is not None
    assert not told(60, 2.3 - float(leave[1]))
    (near,) = told(30, 0.6)
    nearer = re.search(r"or go no further than turn left ([\d.]+) before it", near.remedy)
    assert nearer is not None
    assert not told(float(nearer[1]), 0.6)


# -- holds --------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=25)
@given(
    st.lists(
        st.tuples(
            st.floats(0.5, 1.5).map(lambda x: round(x, 2)),
            st.integers(-65, 65),
            st.sampled_from(["snap", "brisk", "easy", "over 0.1s", "over 0.7s"]),
            st.sampled_from(["natural", "gentle", "smooth", "strong", "steady"]),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_a_hold_is_still_until_its_cue(moves) -> None:
    """Whatever follows, however hasty: nothing is smeared over the hold before a cue that does not land."""
    start, cues, starts = 0.0, [], []
    for gap, target, pace, law in moves:
        start = round(start + gap, 2)
        starts.append(start)
        cues.append(f"{start:.2f}s turn {target}, {pace}, {law}")
    scene = done(*cues)
    wish = np.degrees(scene.timeline.axes["turn"].wish_rad)
    turn = scene.deg("turn")
    for at in starts:
        cue = round(at * 1000)
        held = np.flatnonzero(wish[: cue + 1] != wish[cue])
        rested = int(held[-1]) + 1 if len(held) else 0
        first = rested + (cue - rested) // 2  # its second half: the arrival before may still settle
        if cue - rested >= 100:
            assert np.max(np.abs(turn[first : cue + 1] - wish[cue])) <= STILL_DEG


# -- imported swings ----------------------------------------------------------------------------


def swinging(folder: Path, amplitude: float, period: float) -> Path:
    times = np.arange(0.0, 12.0001, 0.02)
    fade = np.clip(np.minimum(times, 12.0 - times), 0, 1)
    curve = amplitude * fade * np.sin(2 * np.pi * times / period)
    points = "\n".join(f"{t:.2f} {a:.4f}" for t, a in zip(times, curve, strict=True))
    (folder / "a.score").write_text(f"quarterjack score 1\naxis turn deg\n{points}\n")
    return folder


@pytest.mark.parametrize("period", [0.3, 0.6, 1.0, 1.5])
def test_an_imported_curve_shrinks_and_keeps_its_time(tmp_path: Path, period: float) -> None:
    scene = done('score "a.score" at 0:01', "length 0:14", folder=swinging(tmp_path, 20, period))
    asked = np.degrees(scene.timeline.axes["turn"].asked_rad)[3000:11000]
    turn = scene.deg("turn")[3000:11000]
    knot = round(scene.plans["turn"].spec.knot_s * 1000)
    shifts = range(-2 * knot, 2 * knot + 1)
    whole = slice(2 * knot, len(turn) - 2 * knot)
    agree = [float(np.dot(np.roll(turn, -shift)[whole], asked[whole])) for shift in shifts]
    assert abs(shifts[int(np.argmax(agree))]) < knot
    assert np.std(turn) <= np.std(asked)


@settings(deadline=None, max_examples=8)
@given(st.floats(0.3, 1.2).map(lambda x: round(x, 1)), st.integers(5, 40))
def test_both_remedies_of_a_lost_swing_work(tmp_path_factory, period, amplitude) -> None:
    def told(size: float, every: float) -> list:
        folder = swinging(tmp_path_factory.mktemp("score"), size, every)
        return done('score "a.score" at 0:01', "length 0:14", folder=folder).told("rate")

    short = told(amplitude, period)
    assume(short)
    assert short[0].unit == "deg"
    assert short[0].value < short[0].limit
    assert (short[0].severity == "note") == (short[0].value >= 0.5 * short[0].limit)
    trade = re.match(
        r"turn can shake ([\d.]+) deg every ([\d.]+) s, or ([\d.]+) every ([\d.]+) s", short[0].remedy
    )
    assert trade is not None
    assert not told(float(trade[1]), float(trade[2]))
    assert not told(float(trade[3]), float(trade[4]))


# -- quiet --------------------------------------------------------------------------------------


def test_a_quiet_scene_keeps_to_a_quarter_of_the_speed_for_everything_in_it(tmp_path: Path) -> None:
    folder = swinging(tmp_path, 30, 1.5)
    lines = ('score "a.score" at 0:01', "0:02 jaw open 20, snap", "0:03 jaw is shut", "length 0:15")
    for idles, most in ((True, 0.25), (False, 0.85)):
        scene = done(*lines, folder=folder, idles=idles)
        for axis in ("turn", "jaw"):
            fastest = np.max(np.abs(np.diff(scene.deg(axis)))) * 1000 / LIMITS[axis][0]
            assert 0.9 * most / 1.01 < fastest <= most / 1.01
        assert scene.plans["turn"].spec == specs()["turn"]


# -- degenerate ---------------------------------------------------------------------------------


def test_a_scene_of_nothing_and_of_one_cue() -> None:
    nothing = done("0:00 turn 0 over 1ms")
    assert nothing.timeline.duration_s == pytest.approx(0.12)
    assert np.all(nothing.deg("turn") == nothing.deg("turn")[0])
    one = done("0:00 turn left 30, snap")
    assert np.max(one.deg("turn")) == pytest.approx(30, abs=0.2)
    assert one.timeline.shortfalls == ()


def test_accents_by_the_thousand_are_planned_and_told() -> None:
    cues = [f"{0.001 * i:.3f}s turn is {(-1) ** i * 20}" for i in range(1000)]
    scene = done(*cues, "length 0:03")
    assert len(scene.timeline.shortfalls) >= 1
    assert np.isfinite(scene.deg("turn")).all()
