"""LANGUAGE.md says what the language is: its examples build, and it leaves no word out."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

from sequencer.figure.limits import limits as axis_limits
from sequencer.figure.read import read_figure
from sequencer.timeline.build import build_timeline
from sequencer.timeline.laws import LAWS
from sequencer.timeline.parse import parse_scene_text
from sequencer.timeline.score import parse_score
from sequencer.timeline.syntax import KEYWORDS
from sequencer.timeline.words import PACES, SPEEDS

PAGE = files("sequencer.timeline").joinpath("LANGUAGE.md").read_text(encoding="utf-8")
SHOW = Path(__file__).resolve().parents[2] / "shows" / "lantern_keeper"
BLOCKS = re.findall(r"```\n(.*?)```", PAGE, re.DOTALL)


def test_the_opening_example_is_a_scene(figure, limits) -> None:
    scene = parse_scene_text(BLOCKS[0], "LANGUAGE.md")
    assert scene.name == "greet"
    assert not build_timeline(scene, figure, limits).shortfalls


def test_the_opening_example_runs_on_the_lantern_keeper_without_a_warning() -> None:
    keeper = read_figure(SHOW / "figure.toml")
    limits = {name: axis_limits(keeper, name) for name in keeper.axes}
    timeline = build_timeline(parse_scene_text(BLOCKS[0], str(SHOW / "greet.scene"), "greet"), keeper, limits)
    assert not timeline.shortfalls
    assert [note for note in timeline.notes if "home" in note] == []


def test_the_remedies_of_the_page_are_in_the_language(build) -> None:
    """What it quotes as a remedy is what a late move is told, in words that can be typed."""
    (give, other) = re.search(r"``give it `(.*?)`, or write `(.*?)` ``", PAGE).groups()  # type: ignore[union-attr]
    assert not build(f"0:01 turn left 60 {give}").shortfalls
    assert parse_scene_text(f"scene a\n0:01 {other}\n", "a.scene")


def test_the_score_example_is_a_score() -> None:
    assert set(parse_score(BLOCKS[1], "LANGUAGE.md").lines) == {"turn", "left_eye", "bell"}


def test_the_lines_of_the_tables_are_in_the_language(build) -> None:
    """Every `code` that begins the action of a cue builds at 0:20, below a tempo and a pose."""
    actions = [
        code
        for code in re.findall(r"`([^`\n]+)`", PAGE)
        if re.match(r"(turn|nod|lamps|left_eye|bell|home|pose) ", code + " ")
        and not code.endswith(":") and "arrives" not in code and "_" not in code.replace("left_eye", "")
    ]  # fmt: skip
    actions = [code for code in actions if not code.startswith("pose NAME") and code not in ("home", "lamps")]
    assert len(actions) >= 15
    for action in actions:
        build("pose wary: turn left 20", f"0:20 {action}")
    for pace in PACES:
        assert f"`pace {pace}`" in PAGE
        build(f"pace {pace}")
    for head in ("loop 0:24", "length 0:12", "tempo 96 in 3 from 0:02", "pose calm: turn left 20, nod up 8"):
        assert f"`{head.replace('calm', 'NAME')}`" in PAGE
        build(head)
    for when in ("0:02.5", "1:07", "2.5s", "800ms", "bar 5:2.5", "+0.5", "then"):
        assert f"`{when}`" in PAGE
        build("tempo 96", f"{when} home")


def test_no_word_is_left_out() -> None:
    for word in (*SPEEDS, *LAWS, *KEYWORDS - {"sway", "shake", "flickers", "strike"}):
        assert re.search(rf"\b{word}\b", PAGE), word
    for law in LAWS.values():
        assert law.name in PAGE
    for share in SPEEDS.values():
        assert f"{100 * share:g}" in PAGE
