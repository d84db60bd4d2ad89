"""What a scene's lines become: times, poses, holds, ends."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.timeline.model import GRID_S, Timeline
from sequencer.timeline.parse import parse_scene_text


def degrees(timeline: Timeline, axis: str, time_s: float) -> float:
    return math.degrees(timeline.axes[axis].wish_rad[round(time_s / GRID_S)])


def test_a_move_goes_where_the_line_says_and_nothing_else_moves(build) -> None:
    t = build("0:01 turn left 30 over 1s", "length 0:06")
    assert degrees(t, "turn", 0.999) == 0
    assert degrees(t, "turn", 1.5) == pytest.approx(15)
    assert degrees(t, "turn", 2.0) == pytest.approx(30)
    assert degrees(t, "turn", 3.0) == pytest.approx(30)
    assert not np.any(t.axes["nod"].wish_rad)
    assert not t.shortfalls


def test_directions_signs_and_home(build) -> None:
    t = build(
        "0:00 turn right 12 over 1s",
        "0:01 nod +7 over 1s",
        "0:02 tilt -5 deg over 1s",
        "0:03 turn home over 1s",
        "length 0:12",
    )
    assert degrees(t, "turn", 2) == pytest.approx(-12)
    assert degrees(t, "nod", 3) == pytest.approx(7)
    assert degrees(t, "tilt", 4) == pytest.approx(-5)
    assert degrees(t, "turn", 5) == pytest.approx(0)


def test_then_waits_for_the_end_and_plus_for_the_start(build) -> None:
    t = build(
        "0:01 turn left 10 over 2s", "+0.5 nod up 5 over 1s", "then tilt right 3 over 1s", "length 0:12"
    )
    assert degrees(t, "nod", 1.5) == 0
    assert degrees(t, "nod", 2.0) == pytest.approx(2.5)
    assert degrees(t, "tilt", 2.5) == 0
    assert degrees(t, "tilt", 3.5) == pytest.approx(3)


def test_speed_words_are_shares_of_the_shortest_time(build) -> None:
    ends = {}
    for word in ("snap", "brisk", "easy", "slow"):
        t = build(f"0:00 turn left 30, {word}", "then bell strikes", "length 0:20")
        ends[word] = t.switches["bell"][0].time_s
    shortest = max(30 * 1.875 / 200, math.sqrt(30 * 10 / math.sqrt(3) / 1500), (30 * 60 / 20000) ** (1 / 3))
    for word, share in (("snap", 1.0), ("brisk", 0.7), ("easy", 0.4), ("slow", 0.2)):
        assert ends[word] == pytest.approx(shortest / share)


def test_easy_is_the_pace_when_none_is_given(build) -> None:
    given_, default = build("0:00 turn left 30, easy"), build("0:00 turn left 30")
    assert np.array_equal(given_.axes["turn"].wish_rad, default.axes["turn"].wish_rad)


def test_the_axes_of_a_pose_arrive_together(build) -> None:
    t = build(
        "pose wary: turn left 40, nod up 4", "0:00 pose wary, brisk", "then bell strikes", "length 0:09"
    )
    end = t.switches["bell"][0].time_s
    for axis, angle in (("turn", 40), ("nod", 4)):
        assert degrees(t, axis, end + 0.002) == pytest.approx(angle)
        assert degrees(t, axis, end - 0.05) < angle


def test_a_pose_of_the_figure_and_home(build) -> None:
    t = build("0:00 pose watch over 1s", "0:03 home over 1s", "length 0:06")
    assert degrees(t, "turn", 2) == pytest.approx(20)
    assert degrees(t, "nod", 2) == pytest.approx(-6)
    assert degrees(t, "turn", 4.1) == pytest.approx(0)


def test_laws_differ_on_the_way_only(build) -> None:
    smooth, strong = build("0:00 turn left 30 over 2s, smooth"), build("0:00 turn left 30 over 2s, strong")
    assert degrees(smooth, "turn", 0.5) == pytest.approx(30 * 0.090845, abs=1e-4)
    assert degrees(strong, "turn", 0.5) == pytest.approx(30 * 0.104480, abs=1e-4)
    assert degrees(smooth, "turn", 2) == degrees(strong, "turn", 2) == pytest.approx(30)


def test_landing_starts_early_and_arrives_on_time(build) -> None:
    t = build("0:03 lands turn left 30, easy", "length 0:08")
    assert degrees(t, "turn", 2.99) < 30
    assert degrees(t, "turn", 3.0) == pytest.approx(30)
    assert degrees(t, "turn", 1.0) == 0
    assert not t.shortfalls


def test_landing_too_short_starts_earlier_with_a_note(build) -> None:
    t = build("0:03 lands turn left 60 over 0.1s", "length 0:08")
    assert degrees(t, "turn", 3.0) == pytest.approx(60)
    assert not t.shortfalls
    assert any("starts earlier and lands on time" in note for note in t.notes)


def test_a_fade_that_lands(build) -> None:
    t = build("0:03 lands left_eye glow to 80% over 1s")
    assert [(s.time_s, s.op, s.level, s.duration_s) for s in t.lamps["left_eye"]] == [(2.0, "ramp", 0.8, 1.0)]


def test_a_hold_is_still_until_its_cue(build) -> None:
    t = build("0:01 turn left 30 over 1s", "0:04 turn right 10 over 1s", "length 0:09")
    held = t.axes["turn"].wish_rad[round(2.0 / GRID_S) : round(4.0 / GRID_S)]
    assert np.ptp(held) == 0


def test_the_newest_cue_wins_from_where_the_axis_is(build) -> None:
    t = build("0:01 turn left 40 over 2s", "0:02 turn right 20 over 2s", "length 0:09")
    assert degrees(t, "turn", 2.0) == pytest.approx(20, abs=0.1)
    assert degrees(t, "turn", 4.0) == pytest.approx(-20)
    wish = np.degrees(t.axes["turn"].wish_rad)
    assert np.max(np.abs(np.diff(wish, 2))) / GRID_S**2 < 1500  # no kink at the seam


def test_a_landing_that_was_held_up_gives_way_to_a_newer_cue(build) -> None:
    t = build(
        "0:00 turn left 40 over 5s",
        "0:03 lands turn right 10 over 1s",
        "0:04 turn left 5 over 2s",
        "length 0:12",
    )
    assert degrees(t, "turn", 6.0) == pytest.approx(5)
    assert degrees(t, "turn", 9.0) == pytest.approx(5)


def test_a_scene_ends_at_home_with_a_note(build) -> None:
    t = build("0:01 turn left 30 over 1s", "0:05 lamps off")
    assert t.axes["turn"].wish_rad[-1] == t.axes["turn"].asked_rad[-1] == 0
    assert degrees(t, "turn", 5.0) == pytest.approx(30)
    assert any(note.startswith("turn not at home at the end") for note in t.notes)
    assert not any("not at home" in note for note in build("0:01 turn left 30 over 1s", "then home").notes)


def test_durations_are_whole_numbers_of_120_ms(build) -> None:
    t = build("0:00 nod up 5 over 1s", "then home over 1.01s")
    assert t.duration_s == pytest.approx(2.04)
    assert any("rounded up to 2.04 s" in note for note in t.notes)
    assert len(t.axes["nod"].wish_rad) == 2041
    exact = build("0:00 nod up 5 over 1s", "then home over 1.04s")
    assert exact.duration_s == pytest.approx(2.04)
    assert not exact.notes


def test_a_length_is_kept_or_told(build) -> None:
    assert build("length 0:12", "0:00 nod up 5 over 1s", "then home").duration_s == pytest.approx(12)
    longer = build("length 0:12", "0:11 nod up 5 over 3s")
    assert longer.duration_s > 14
    assert any("longer than the 12 s written" in note for note in longer.notes)


def test_a_length_that_is_a_multiple_stays_exact_when_the_motion_fits(build) -> None:
    slow_s = (20 * 60 / 20000) ** (1 / 3) / 0.2
    for text in ("loop 12s", "length 0:12"):
        t = build(text, "0:02 turn right 20, easy", f"0:{12 - 0.95 * slow_s:05.2f} turn home, slow")
        assert t.duration_s == pytest.approx(12, abs=1e-9)
        assert any("so that the scene keeps its 12 s" in note for note in t.notes)
        assert not t.shortfalls
        assert abs(t.axes["turn"].wish_rad[-1]) < 1e-9
    far = build("loop 12s", "0:02 turn right 20, easy", f"0:{12 - 0.5 * slow_s:05.2f} turn home, slow")
    assert far.duration_s > 12
    assert any("longer than the 12 s written: line 4 ends at 0:12.98" in note for note in far.notes)


def test_an_added_return_home_hurries_a_little_to_keep_the_length(build) -> None:
    t = build("loop 12s", "0:10 turn left 60 over 1.1s")
    assert t.duration_s == pytest.approx(12)
    assert any("return home" in note and "quick enough for the length" in note for note in t.notes)


def test_every_change_of_length_is_noted(build) -> None:
    (note,) = build("length 0:20", "0:01 lamps on").notes
    assert note == (
        "the scene lasts 20 s as written; rounded up to 20.04 s, a whole number of 0.12 s; "
        "19.92 s would be one too"
    )
    (odd,) = (n for n in build("0:01.2345678 lamps on").notes if "rounded up" in n)
    assert odd == "the scene lasts 1.235 s; rounded up to 1.32 s, a whole number of 0.12 s"
    late = build("length 0:10", "0:18 lamps glow to 20% over 1s")
    assert any("needs 19.00 s, longer than the 10 s written: line 3 ends at 0:19.00" in n for n in late.notes)


def test_a_missing_sound_is_noted(build) -> None:
    (note,) = build('sound "greet.wav" at 0:02', "length 0:12").notes
    assert note == "line 2: there is no sound file `greet.wav` in the show"


def test_a_loop_closes_without_a_seam(build) -> None:
    t = build("loop 0:12", "0:00 nod sways 2 throughout, every 4s", "0:02 turn left 20, slow")
    assert t.loop
    assert t.duration_s == pytest.approx(12)
    for axis in ("turn", "nod"):
        wish = t.axes[axis].wish_rad
        assert wish[-1] == wish[0]
        around = np.concatenate([wish[-4:-1], wish[:4]])
        assert np.max(np.abs(np.diff(around, 2))) / GRID_S**2 < math.radians(8)
    assert any("so that the loop closes" in note for note in t.notes)


def test_a_sway_throughout_a_loop_takes_a_whole_number_of_swings(build) -> None:
    t = build("loop 0:12", "0:00 nod sways 2 throughout, every 5s")
    assert any("every 5 s became every 6 s" in note for note in t.notes)
    nod = np.degrees(t.axes["nod"].wish_rad)
    assert nod[1500] == pytest.approx(2)
    assert nod[7500] == pytest.approx(2)


def test_bars_and_beats(build) -> None:
    t = build("tempo 120 in 3 from 0:01", "bar 1:1 bell strikes", "bar 3:2.5 bell strikes")
    assert [s.time_s for s in t.switches["bell"] if s.on] == pytest.approx([1.0, 1 + (6 + 1.5) / 2])


def test_lamps(build) -> None:
    t = build(
        "0:00 lamps glow to 60% over 1.5s", "0:02 left_eye flickers failing for 2s, depth 30%, seed 7",
        "0:03 right_eye off", "0:04 right_eye on over 2s", "0:05 lamps glow to 33.3%",
    )  # fmt: skip
    left = [(s.time_s, s.op, s.level, s.duration_s, s.kind, s.depth, s.seed) for s in t.lamps["left_eye"]]
    assert left[:2] == [
        (0.0, "ramp", 0.6, 1.5, "gutter", 0.0, 0),
        (2.0, "flicker", 0.0, 2.0, "failing", 0.3, 7),
    ]
    assert left[2][2] == pytest.approx(0.335)  # the nearest half per cent
    right = [(s.time_s, s.op, s.level, s.duration_s) for s in t.lamps["right_eye"]]
    assert right[1:3] == [(3.0, "set", 0.0, 0.0), (4.0, "ramp", 1.0, 2.0)]


def test_switches(build) -> None:
    t = build("0:01 bell on", "0:02 bell off", "0:03 bell strikes", "0:04 lands bell strikes")
    assert [(s.time_s, s.on) for s in t.switches["bell"]] == [
        (1.0, True), (2.0, False), (3.0, True), (3.15, False), (4.0, True), (4.15, False),
    ]  # fmt: skip


def test_a_switch_left_on_goes_off_at_the_end(build) -> None:
    t = build("0:01 bell on", "0:02 nod up 2 over 0.2s", "then home over 0.2s")
    assert [(s.time_s, s.on) for s in t.switches["bell"]] == [(1.0, True), (t.duration_s, False)]
    assert any("bell is still on at the end" in note for note in t.notes)


def test_a_sound_is_kept() -> None:
    scene = parse_scene_text('scene a\nsound "greet.wav" at 0:02 # hello "you"\n', "a.scene")
    assert [(s.path, s.at_s) for s in scene.sounds] == [("greet.wav", 2.0)]


def test_comments_blank_lines_and_windows_line_ends() -> None:
    scene = parse_scene_text(
        '\ufeff# first\r\n\r\nscene a # here\r\n  0:01\thome  # and "there\r\n'.lstrip("\ufeff"), "a"
    )
    assert scene.name == "a"
    assert [cue.line for cue in scene.cues] == [4]


cue_lines = st.lists(
    st.tuples(
        st.sampled_from(["turn", "nod", "tilt"]),
        st.floats(-20, 20).map(lambda x: round(x, 1)),
        st.floats(0.05, 3).map(lambda x: round(x, 2)),
        st.sampled_from(["+0", "+0.3", "+1.7", "then", "+4", "+0.2 lands", "+2 lands"]),
        st.sampled_from(["over", "slow", "snap"]),
    ),
    min_size=1,
    max_size=8,
)


@settings(deadline=None, max_examples=40)
@given(cue_lines)
def test_any_cues_give_a_timeline_that_holds_its_promises(build, cues) -> None:
    lines = [
        f"{when} {axis} {angle:g} " + (f"over {over}s" if pace == "over" else pace)
        for axis, angle, over, when, pace in cues
    ]
    t = build("0:00 lamps on", *lines, share=0.85)
    again = build("0:00 lamps on", *lines, share=0.85)
    assert round(t.duration_s / 0.12) * 0.12 == pytest.approx(t.duration_s)
    for name, axis in t.axes.items():
        assert len(axis.wish_rad) == len(axis.asked_rad) == round(t.duration_s / GRID_S) + 1
        assert axis.wish_rad[0] == axis.wish_rad[-1] == 0
        assert np.all(np.isfinite(axis.wish_rad))
        step = math.radians(200) * GRID_S
        assert np.max(np.abs(np.diff(axis.wish_rad))) <= step * 1.05
        assert np.array_equal(axis.wish_rad, again.axes[name].wish_rad)
    assert t.shortfalls == again.shortfalls
