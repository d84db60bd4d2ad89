"""What falls short is told, and the remedy works."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sequencer.timeline.model import GRID_S


def rates(timeline) -> list:
    return [item for item in timeline.shortfalls if item.code == "rate"]


def landings(timeline) -> list:
    return [item for item in timeline.shortfalls if item.code == "sync"]


def test_a_move_that_is_too_fast_arrives_late_and_says_so(build) -> None:
    t = build("0:01 turn left 60 over 0.3s", "length 0:09")
    (short,) = t.shortfalls
    needed = max(60 * 1.875 / 200, math.sqrt(60 * 10 / math.sqrt(3) / 1500), (60 * 60 / 20000) ** (1 / 3))
    assert (short.code, short.channel, short.line, short.unit) == ("rate", "turn", 2, "s")
    assert short.value == pytest.approx(0.3)
    assert short.limit == pytest.approx(needed)
    assert short.message == f"line 2: turn left 60 over 0.3 s arrives {needed - 0.3:.2f} s late"
    assert short.remedy == "give it `over 0.57s`"
    wish, asked = (np.degrees(x) for x in (t.axes["turn"].wish_rad, t.axes["turn"].asked_rad))
    assert asked[1300] == pytest.approx(60)
    assert wish[1300] < 60
    assert wish[1000 + math.ceil(needed / GRID_S)] == pytest.approx(60)
    assert np.array_equal(wish[2000:3000], asked[2000:3000])


@settings(deadline=None, max_examples=60)
@given(
    st.floats(-65, 65).map(lambda x: round(x, 1)),
    st.floats(-65, 65).map(lambda x: round(x, 1)),
    st.floats(0.03, 0.6).map(lambda x: round(x, 2)),
    st.sampled_from(["natural", "gentle", "smooth", "strong", "steady", "sudden", "swinging"]),
    st.sampled_from([1.0, 0.85, 0.3]),
)
def test_both_remedies_of_a_late_move_work(build, begin, end, over, law, share) -> None:
    first = f"0:00 turn {begin:g} over 5s"

    def told(line: str) -> list:
        return [item for item in rates(build(first, line, share=share)) if item.line == 3]

    short = told(f"0:06 turn {end:g} over {over}s, {law}")
    assume(short)
    longer = re.match(r"give it `over ([\d.]+)s`", short[0].remedy)
    assert longer is not None
    assert not told(f"0:06 turn {end:g} over {longer[1]}s, {law}")
    assert told(f"0:06 turn {end:g} over {float(longer[1]) - 0.02:.2f}s, {law}")  # and it is not generous
    nearer = re.search(r"or write `(turn .*)`$", short[0].remedy)
    if nearer is not None:
        assert not told(f"0:06 {nearer[1]}")
        assert law in nearer[1] or law == "natural"


def test_a_nearer_angle_is_offered_as_a_line_and_only_when_worth_it(build) -> None:
    (short,) = rates(build("0:01 turn left 20 over 0.3s", "length 0:09"))
    assert short.remedy == "give it `over 0.4s`, or write `turn left 9 over 0.3s`"
    far = build("0:00 turn left 25 over 2s", "0:03 turn right 30 over 0.12s", "length 0:09")
    assert "write" not in rates(far)[0].remedy


def followed(lines: dict[int, list], shortfalls: list) -> dict[int, list]:
    """The scene's {line: [start, target, over]} after every remedy of every shortfall (first offers)."""
    after = {line: list(cue) for line, cue in lines.items()}
    for item in shortfalls:
        remedy = re.sub(r", or [^;]*?(?=, and start line|;|$)", "", item.remedy)
        for clock in re.finditer(r"line (\d+) at (\d+):([\d.]+) or later(?: `over ([\d.]+)s`)?", remedy):
            cue = after[int(clock[1])]
            cue[2] = max(cue[2], float(clock[4] or 0))
            cue[0] = max(cue[0], 60 * int(clock[2]) + float(clock[3]))
        for clock in re.finditer(r"start it at (\d+):([\d.]+) or later", remedy):
            after[item.line][0] = max(after[item.line][0], 60 * int(clock[1]) + float(clock[2]))
        for over in re.finditer(r"give it `over ([\d.]+)s`", remedy):
            after[item.line][2] = max(after[item.line][2], float(over[1]))
    return after


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.floats(0.02, 1.2).map(lambda x: round(x, 2)),
            st.integers(-65, 65),
            st.floats(0.03, 0.9).map(lambda x: round(x, 2)),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_following_every_remedy_of_a_chain_clears_all_of_it(build, moves) -> None:
    start, lines = 0.0, {}
    for number, (gap, target, over) in enumerate(moves, 2):
        start = round(start + gap, 2)
        lines[number] = [start, target, over]

    def told(cues: dict[int, list]) -> list:
        return rates(build(*(f"{at:.2f}s turn {to} over {over}s" for at, to, over in cues.values())))

    left = told(followed(lines, told(lines)))
    assert [item for item in left if item.severity == "warning"] == []  # less than a frame may be left


def test_a_move_cut_short_is_told(build) -> None:
    t = build("0:00 turn left 60, slow", "0:00.3 turn right 60, slow")
    (short,) = rates(t)
    assert (short.line, short.severity) == (2, "warning")
    assert re.match(
        r"line 2: turn left 60 is cut short: line 3 takes over at 0:00.30, where it has got to turn left 0",
        short.message,
    )
    start = re.match(r"start line 3 at 0:([\d.]+) or later$", short.remedy)
    assert start is not None
    assert not rates(build("0:00 turn left 60, slow", f"{start[1]}s turn right 60, slow"))


def test_a_move_cut_short_that_could_be_quicker_says_so(build) -> None:
    lines = ("0:00 jaw open 20, slow", "0:01 jaw shut 0, snap")
    (short,) = rates(build(*lines))
    quicker = re.search(r"or give line 2 `(over [\d.]+s)`", short.remedy)
    assert quicker is not None
    assert not rates(build(f"0:00 jaw open 20 {quicker[1]}", lines[1]))


def test_a_jaw_that_never_reaches_its_angles_is_told(build) -> None:
    t = build(*(f"{0.12 * i:.2f}s jaw open {18 if i % 2 == 0 else 2}, snap" for i in range(6)))
    assert {2, 4, 6} <= {item.line for item in rates(t) if item.severity == "warning"}


def test_a_cue_that_goes_on_the_same_way_cuts_nothing(build) -> None:
    assert not rates(build("0:00 turn left 20 over 2s", "0:01 turn left 40 over 2s"))
    assert not rates(build("0:00 turn left 20 over 2s", "0:01 turn left 20 over 2s"))


def test_a_landing_is_on_time_even_if_it_has_to_cut_the_move_before(build) -> None:
    t = build("0:00 turn left 40 over 5s", "0:03 lands turn right 10 over 1s", "0:04 turn left 5 over 2s")
    (cut,) = t.shortfalls
    assert cut.message.startswith("line 2: turn left 40 is cut short: line 3 takes over at 0:02.3")
    assert np.degrees(t.axes["turn"].wish_rad[3000]) == pytest.approx(-10)
    when = re.match(r"let line 3 land at ([\d:.]+) or later, or give line 2 `over ([\d.]+)s`", cut.remedy)
    assert when is not None
    assert not build("0:00 turn left 40 over 5s", f"{when[1]} lands turn right 10 over 1s").shortfalls
    quicker = f"0:00 turn left 40 over {when[2]}s"
    assert not build(quicker, "0:03 lands turn right 10 over 1s", "0:04 turn left 5 over 2s").shortfalls


def test_a_few_milliseconds_late_are_a_note(build) -> None:
    (short,) = rates(build("0:01 turn left 60 over 0.555s"))
    assert short.severity == "note"
    assert rates(build("0:01 turn left 60 over 0.54s"))[0].severity == "warning"


def test_a_late_move_eats_the_hold_behind_it(build) -> None:
    t = build("0:01 turn left 60 over 0.3s", "0:02 turn left 0 over 2s", "length 0:09")
    assert len(rates(t)) == 1
    assert np.degrees(t.axes["turn"].wish_rad[2000]) == pytest.approx(60)


def test_the_next_cue_is_pushed_until_the_axis_has_arrived(build) -> None:
    t = build("0:01 turn left 60 over 0.3s", "then turn right 60 over 0.3s", "length 0:09")
    first, second = rates(t)
    wish = np.degrees(t.axes["turn"].wish_rad)
    assert np.max(wish) == pytest.approx(60)
    assert np.min(wish) == pytest.approx(-60)
    assert first.remedy == "give it `over 0.57s`"
    assert second.message == "line 3: turn right 60 over 0.3 s begins 0.26 s late and arrives 1.09 s late"
    assert second.remedy == (
        "it begins behind because of line 2: cure that first, then start it at 0:01.57 or later "
        "and give it `over 1.13s`"
    )


def test_a_speed_word_is_never_late(build) -> None:
    t = build("0:00 turn left 60, snap", "then turn right 60, snap", "+0.1 turn left 10, snap")
    assert [item.line for item in rates(t)] == [3]  # cut short, which no pace can help


def test_interrupting_too_fast_is_told_with_a_time_that_works(build) -> None:
    lines = ("0:00 turn left 60 over 1s", "{} turn right 60 over {}s")
    cut, late = rates(build(lines[0], lines[1].format("0:00.5", 0.3)))
    assert cut.remedy.startswith("start line 3 at 0:01.00 or later")
    give = re.match(r"give it `over ([\d.]+)s`: it begins while line 2 is still moving", late.remedy)
    assert give is not None
    assert [item.line for item in rates(build(lines[0], lines[1].format("0:00.5", give[1])))] == [2]
    assert not rates(build(lines[0], lines[1].format("0:01", 1.13)))


def test_beyond_the_range(build) -> None:
    t = build("0:01 turn left 100 over 3s", "length 0:12")
    (short,) = t.shortfalls
    assert (short.code, short.value, short.limit) == ("range", pytest.approx(100), pytest.approx(70))
    assert short.remedy == "turn left 70 is the most it can"
    assert np.degrees(np.max(t.axes["turn"].wish_rad)) == pytest.approx(70)
    assert np.degrees(np.max(t.axes["turn"].asked_rad)) == pytest.approx(100)
    assert not build("0:01 turn left 70 over 3s", "length 0:12").shortfalls


def test_landing_late_is_told_with_a_time_that_works(build) -> None:
    (short,) = landings(build("0:00.1 lands turn left 60, snap"))
    when = re.match(r"let it land at ([\d:.]+) or later", short.remedy)
    assert when is not None
    assert not build(f"{when[1]} lands turn left 60, snap").shortfalls
    busy = ("0:03 turn left 60 over 3s", "0:03.2 lands turn right 60, snap")
    cut, short = build(*busy).shortfalls
    assert "takes over at 0:03.00, before it begins" not in cut.message
    when = re.match(r"let it land at ([\d:.]+) or later", short.remedy)
    assert when is not None
    assert not build(busy[0], f"{when[1]} lands turn right 60, snap").shortfalls


@settings(deadline=None, max_examples=25)
@given(
    st.floats(1, 30).map(lambda x: round(x, 1)),
    st.floats(0.1, 1.0).map(lambda x: round(x, 2)),
    st.sampled_from([1.5, 4.0, 9.0]),
)
def test_both_remedies_of_a_fast_sway_work(build, amplitude, period, length) -> None:
    def told(swing: str, every: str) -> list:
        return rates(build(f"0:01 turn sways {swing} for {length}s, every {every}s"))

    short = told(f"{amplitude}", f"{period}")
    assume(short)
    smaller = re.match(r"turn can do ([\d.]+) deg every ([\d.]+) s", short[0].remedy)
    assert smaller is not None
    if float(smaller[1]) >= 0.01:
        assert not told(smaller[1], smaller[2])
    slower = re.search(r"or ([\d.]+) deg every ([\d.]+) s$", short[0].remedy)
    if slower is not None:
        assert not told(slower[1], slower[2])
        assert told(slower[1], f"{float(slower[2]) - 0.02:.2f}")


def test_a_sway_near_the_end_of_the_range(build) -> None:
    t = build("0:00 turn left 66 over 3s", "0:05 turn sways 8 for 4s")
    (short,) = t.shortfalls
    assert short.code == "range"
    assert np.degrees(np.max(t.axes["turn"].wish_rad)) <= 70 + 1e-9
    most = re.match(r"sways ([\d.]+) is the most", short.remedy)
    assert most is not None
    assert 4 <= float(most[1]) < 5
    assert not build("0:00 turn left 66 over 3s", f"0:05 turn sways {most[1]} for 4s").shortfalls


def test_a_strike_into_a_strike(build) -> None:
    (short,) = build("0:01 bell strikes", "+0.1 bell strikes").shortfalls
    assert short.channel == "bell"
    assert not build("0:01 bell strikes", "0:01.15 bell strikes").shortfalls


def test_a_switch_held_too_long(build) -> None:
    (short,) = build("0:01 bell on", "0:05 bell off").shortfalls
    assert (short.code, short.value, short.limit) == ("range", pytest.approx(4), 2.0)
    assert not build("0:01 bell on", "0:03 bell off").shortfalls


def test_planning_at_a_share_of_the_limits(build, figure, limits) -> None:
    """At share s the wish uses s of each limit, no more and no less."""
    for share in (1.0, 0.85, 0.5):
        t = build("0:00 turn left 60 over 0.05s", share=share)
        wish = np.degrees(t.axes["turn"].wish_rad[: 1 + round(1.1 / GRID_S)])
        used = [
            np.max(np.abs(np.diff(wish, m))) / GRID_S**m / top for m, top in ((1, 200), (2, 1500), (3, 20000))
        ]
        assert max(used) <= share * 1.001
        assert max(used) >= share * 0.97


def test_a_sway_on_a_fast_move_is_noted(build) -> None:
    t = build("0:00 turn sways 6 for 4s, every 0.7s", "0:01 turn left 60, snap", "length 0:09")
    assert any("turn sways while it moves" in note for note in t.notes)
    assert not any("sways while" in note for note in build("0:00 turn sways 6 for 2s, every 0.7s").notes)
