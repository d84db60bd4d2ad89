"""A late move keeps its shape, eats the hold behind it, and pushes what follows up to what lands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import SceneError
from sequencer.timeline.build import MOST_TOLD
from sequencer.timeline.model import GRID_S


def degrees(timeline, axis: str = "turn") -> np.ndarray:
    return np.degrees(timeline.axes[axis].wish_rad)


def test_a_hold_is_eaten_before_anything_is_pushed(build) -> None:
    t = build("0:01 turn left 60 over 0.3s", "0:01.6 turn left 20 over 1s", "length 0:09")
    assert [item.line for item in t.shortfalls] == [2]
    assert degrees(t)[1600] == pytest.approx(60)


def test_each_push_is_told_with_its_cause(build) -> None:
    lines = [f"{1 + 0.2 * i:.1f}s turn {'left' if i % 2 else 'right'} 30 over 0.2s" for i in range(4)]
    t = build(*lines, "length 0:09")
    assert [item.line for item in t.shortfalls] == [2, 3, 4, 5]
    for item in t.shortfalls[1:]:
        assert f"begins because of line {item.line - 1}" not in item.message
        assert f"it begins behind because of line {item.line - 1}: cure that first" in item.remedy
        assert "s late and arrives" in item.message
    turns = degrees(t)
    assert np.max(turns) == pytest.approx(30)
    assert np.min(turns) == pytest.approx(-30)


def test_pushes_end_at_what_lands(build) -> None:
    lines = ("0:01 turn left 60 over 0.3s", "then turn right 60 over 0.3s")
    t = build(*lines, "0:03 lands turn left 0 over 0.5s", "length 0:09")
    assert degrees(t)[3000] == pytest.approx(0, abs=1e-6)
    assert degrees(t)[3100] == pytest.approx(0, abs=1e-6)
    (pushed,) = [item for item in t.shortfalls if item.line == 3]
    assert "line 4 takes over at 0:02" in pushed.message
    assert not [item for item in t.shortfalls if item.line == 4]
    free = build(*lines, "0:04 lands turn left 0 over 0.5s", "length 0:09")
    assert np.min(degrees(free)) == pytest.approx(-60)


def test_a_cue_that_interrupts_starts_on_its_time(build) -> None:
    t = build("0:01 turn left 60 over 2s", "0:02 turn right 10 over 2s", "length 0:09")
    turns = degrees(t)
    still = build("0:01 turn left 60 over 2s", "length 0:09")
    assert np.allclose(turns[:2001], degrees(still)[:2001])
    assert turns[2600] < degrees(still)[2600] - 1


def test_the_way_as_written_stays_what_errors_are_held_against(build) -> None:
    t = build("0:01 turn left 60 over 0.3s", "then turn right 60 over 0.3s", "length 0:09")
    asked = np.degrees(t.axes["turn"].asked_rad)
    assert asked[1300] == pytest.approx(60)
    assert asked[1600] == pytest.approx(-60)


def test_a_score_takes_over_in_time_and_says_what_it_cuts(build_in) -> None:
    score = "quarterjack score 1\naxis turn deg\n0 0\n1 5\n"
    t = build_in(
        {"a.score": score}, "0:01 turn left 60 over 0.1s", 'score "a.score" at 0:01.3', "length 0:09"
    )
    (short,) = [item for item in t.shortfalls if item.line == 2]
    assert "the score of line 3 takes over at 0:01.30, where it has got to turn left" in short.message
    assert degrees(t)[1300] == pytest.approx(0)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.floats(0.02, 0.8).map(lambda x: round(x, 2)),
            st.integers(-65, 65),
            st.floats(0.05, 0.5).map(lambda x: round(x, 2)),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_a_chain_of_ended_moves_reaches_every_angle_within_the_limits(build, moves) -> None:
    """Cues that do not interrupt each other: whatever their haste, the wish visits all angles in order."""
    start, cues = 0.0, []
    for gap, target, over in moves:
        start = round(start + gap, 2)
        cues.append(f"{start:.2f}s turn {target} over {over}s")
        start = round(start + over, 2)
    wish = degrees(build(*cues))
    at = 0
    for _, target, _ in moves:
        near = np.flatnonzero(np.abs(wish[at:] - target) < 0.05)
        assert len(near), target
        at += int(near[0])
    for order, limit in ((1, 200), (2, 1500), (3, 20000)):
        assert np.max(np.abs(np.diff(wish, order))) / GRID_S**order <= limit * 1.002
    assert math.isfinite(wish.sum())


def test_a_scene_that_pushes_outgrow_says_why(build) -> None:
    lines = [f"{0.1 * i:.1f}s turn {'left' if i % 2 else 'right'} 60 over 0.1s" for i in range(1, 9)]
    t = build("length 0:03", *lines)
    assert any("moves arrive late and push what follows them" in note for note in t.notes)
    home = build("length 0:03", "0:01 turn left 60 over 1.9s")
    assert any("still have to come home" in note for note in home.notes)
    many = [f"{0.1 * i:.1f}s turn {'left' if i % 2 else 'right'} 60 over 0.1s" for i in range(1, 4000)]
    with pytest.raises(SceneError) as refused:
        build(*many)
    assert refused.value.faults[0].remedy == "its moves are late and push each other: give them time"


def test_thousands_of_cues_at_ten_a_millisecond_have_a_clear_outcome(build) -> None:
    """The newest wins; what is told of the rest stays readable."""
    cues = [f"{i * 1e-4:.4f}s turn {'left' if i % 2 else 'right'} {i % 30} over 1ms" for i in range(1, 3000)]
    t = build(*cues, "length 0:03")
    assert t.duration_s <= 3.1
    assert len(t.shortfalls) <= MOST_TOLD
    (more,) = [note for note in t.notes if "falls short" in note]
    assert more.startswith("turn falls short")
    assert np.isfinite(t.axes["turn"].wish_rad).all()
