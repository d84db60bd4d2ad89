from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import SceneError
from sequencer.timeline.build import build_timeline
from sequencer.timeline.parse import parse_scene
from sequencer.timeline.score import HEADER, LampPoint, Score, format_score, parse_score

times = st.lists(st.floats(0, 3000).map(lambda x: round(x, 6)), min_size=1, max_size=10).map(sorted)


@settings(deadline=None, max_examples=60)
@given(times, times, times, st.data())
def test_a_score_survives_its_text(axis_s, lamp_s, switch_s, data) -> None:
    angles = data.draw(st.lists(st.floats(-90, 90), min_size=len(axis_s), max_size=len(axis_s)))
    score = Score(
        {"turn": (np.array(axis_s), np.array(angles))},
        {"eye": tuple(LampPoint(t, 0.005 * (i % 200), 0.25 * (i % 2)) for i, t in enumerate(lamp_s))},
        {"bell": tuple((t, ("on", "off", "strike")[i % 3]) for i, t in enumerate(switch_s))},
    )
    text = format_score(score, ["made by hand"])
    again = parse_score(text, "a.score")
    assert again.axes["turn"][0] == pytest.approx(axis_s, abs=1e-9)
    assert again.axes["turn"][1] == pytest.approx(angles, abs=5.1e-5)
    for ours, theirs in zip(again.lamps["eye"], score.lamps["eye"], strict=True):
        assert (ours.time_s, ours.level, ours.over_s) == pytest.approx(
            (theirs.time_s, theirs.level, theirs.over_s)
        )
    assert again.switches == score.switches
    assert format_score(again, ["made by hand"]) == text


@pytest.mark.parametrize(
    ("body", "line", "column", "message"),
    [
        ("0 1", 2, 1, "`0` cannot stand here"),
        ("axis turn", 2, 1, "an axis begins differently"),
        ("axis turn rad", 2, 1, "an axis begins differently"),
        ("lamp eye percent\n0 1\nlamp eye percent", 4, 6, "`eye` is already there (line 2)"),
        ("axis turn deg\n0 1\n2 3\n1 4", 5, 1, "time goes back"),
        ("axis turn deg\n0 1 2", 3, 1, "an axis point reads differently"),
        ("axis turn deg\n0 x", 3, 3, "`x` is not a number"),
        ("axis turn deg\n0 nan", 3, 3, "`nan` is not a number"),
        ("axis turn deg\n0 1e9", 3, 3, "this angle is too big"),
        ("axis turn deg\n-1 1", 3, 1, "this time is too small"),
        ("axis turn deg\n4000 1", 3, 1, "this time is too big"),
        ("lamp eye percent\n0 101", 3, 3, "this lightness is too big"),
        ("lamp eye percent\n0 10 for 3", 3, 1, "a lamp point reads differently"),
        ("switch bell\n0 ring", 3, 1, "a switch point reads differently"),
    ],
)
def test_faults_of_a_score(body: str, line: int, column: int, message: str) -> None:
    with pytest.raises(SceneError) as raised:
        parse_score(f"{HEADER}\n{body}\n", "a.score")
    fault = raised.value.faults[0]
    assert (fault.file, fault.line, fault.column) == ("a.score", line, column)
    assert message in fault.message


@pytest.mark.parametrize("text", ["", "scene a\n", "# only\n", "quarterjack score 2\n"])
def test_what_is_no_score(text: str) -> None:
    with pytest.raises(SceneError, match="this is not a score file"):
        parse_score(text, "a.score")


def show(folder: Path, score: str, *lines: str) -> Path:
    (folder / "a.score").write_text(f"{HEADER}\n{score}\n")
    scene = folder / "a.scene"
    scene.write_text("\n".join(("scene a", 'score "a.score" at 0:01', *lines, "")))
    return scene


def test_a_score_plays_in_a_scene(tmp_path: Path, figure, limits) -> None:
    body = (
        "axis turn deg\n0 0\n0.5 30\n1 -30\n1.5 0\n"
        "lamp left_eye percent\n0 100\n0 20 over 0.5\n"
        "switch bell\n0.7 strike"
    )
    t = build_timeline(parse_scene(show(tmp_path, body, "0:04 turn left 10 over 1s")), figure, limits)
    turn = np.degrees(t.axes["turn"].wish_rad)
    assert turn[[1000, 1250, 1500, 1750, 2000, 2500, 3999]] == pytest.approx(
        [0, 15, 30, 0, -30, 0, 0], abs=1e-9
    )
    assert turn[5000] == pytest.approx(10)
    assert not [short for short in t.shortfalls if short.code == "rate"]  # sampled wishes are not stretched
    assert [(s.time_s, s.op, s.level) for s in t.lamps["left_eye"]] == [(1.0, "set", 1.0), (1.0, "ramp", 0.2)]
    assert [s.time_s for s in t.switches["bell"]] == pytest.approx([1.7, 1.85])
    assert turn[-1] == 0


def test_a_cue_may_not_fight_a_score(tmp_path: Path, figure, limits) -> None:
    scene = parse_scene(show(tmp_path, "axis turn deg\n0 0\n2 30", "0:02 turn left 10"))
    with pytest.raises(SceneError, match=r"turn is moved by a\.score at this time") as raised:
        build_timeline(scene, figure, limits)
    assert (raised.value.faults[0].line, raised.value.faults[0].column) == (3, 1)


def test_a_score_beyond_the_range_is_told_and_clipped(tmp_path: Path, figure, limits) -> None:
    t = build_timeline(parse_scene(show(tmp_path, "axis turn deg\n0 0\n2 90\n4 0")), figure, limits)
    (short,) = t.shortfalls
    assert (short.code, short.channel, short.time_s) == ("range", "turn", pytest.approx(3.0))
    assert np.degrees(t.axes["turn"].wish_rad.max()) == pytest.approx(70)


def test_a_score_names_channels_of_the_figure(tmp_path: Path, figure, limits) -> None:
    body = "axis trun deg\n0 0\nlamp lft_eye percent\n0 1\nswitch bel\n0 on"
    with pytest.raises(SceneError) as raised:
        build_timeline(parse_scene(show(tmp_path, body)), figure, limits)
    assert [(f.file, f.line) for f in raised.value.faults] == [("a.score", 2), ("a.score", 4), ("a.score", 6)]
    assert "did you mean `turn`?" in (raised.value.faults[0].remedy or "")


def test_two_scores_may_not_move_one_axis_at_once(tmp_path: Path, figure, limits) -> None:
    scene = show(tmp_path, "axis turn deg\n0 0\n2 30", 'score "a.score" at 0:02')
    with pytest.raises(SceneError, match="two scores move turn at the same time"):
        build_timeline(parse_scene(scene), figure, limits)
