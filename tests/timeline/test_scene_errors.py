# ruff: noqa: E501 - a table reads best with one case a line
"""Every fault of a scene: its line, its column, and words that say what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.errors import SceneError
from sequencer.timeline.parse import parse_scene, parse_scene_text

# The first line of each case is "scene test". (lines, line, column, message, remedy)
CASES = {
    "a keyword misspelt": ("0:01 lamps glwo to 60%", 2, 12, "`glwo` is not a word of the language", "did you mean `glow`?"),
    "over misspelt": ("0:01 turn left 20 ovr 1s", 2, 19, "`ovr` is not a word", "did you mean `over`?"),
    "sways misspelt": ("0:01 nod swaus 3 for 2s", 2, 10, "`swaus` is not a word", "did you mean `sways`?"),
    "a speed misspelt": ("0:01 turn left 20, brsk", 2, 20, "`brsk` is no way to move", "did you mean `brisk`?"),
    "a flicker misspelt": ("0:01 lamps flicker guter for 2s", 2, 20, "no flicker `guter`", "did you mean `gutter`?"),
    "a flicker left out": ("0:01 lamps flicker for 2s", 2, 20, "a word is missing before `for`", "gutter or failing"),
    "an axis misspelt": ("0:01 trun left 20", 2, 6, "no axis `trun`", "did you mean `turn`?"),
    "a direction misspelt": ("0:01 turn lefft 20", 2, 11, "no direction `lefft`", "did you mean `left`?"),
    "another axis's direction": ("0:01 turn up 20", 2, 11, "turn has no direction `up`", "right, left"),
    "a switch for an axis": ("0:01 bell left 20", 2, 6, "`bell` is a switch of this figure, not an axis", "turn"),
    "an axis for a lamp": ("0:01 turn on", 2, 6, "`turn` is an axis of this figure, not a lamp or switch", "bell"),
    "a lamp for a switch": ("0:01 left_eye strikes", 2, 6, "`left_eye` is a lamp", "bell"),
    "an axis that sways misspelt": ("0:01 nob sways 3 for 2s", 2, 6, "no axis `nob`", "did you mean `nod`?"),
    "a lamp that does not exist": ("0:01 lamp glow to 5%", 2, 6, "no lamp `lamp`", "did you mean `lamps`?"),
    "a pose that does not exist": ("0:01 pose wotch", 2, 11, "no pose `wotch`", "did you mean `watch`?"),
    "a pose twice": ("pose a: turn left 3\npose a: nod up 4", 3, 6, "pose `a` is already there (line 2)", "another name"),
    "a pose named home": ("pose home: turn left 3", 2, 6, "home is the figure's rest pose", "another name"),
    "an axis twice in a pose": ("pose a: turn left 3, turn left 4", 2, 22, "`turn` is placed twice", "keep one"),
    "a pose's axis misspelt": ("pose a: trun left 3\n0:01 pose a", 2, 9, "no axis `trun`", "did you mean `turn`?"),
    "a colon left out": ("pose a turn left 3", 2, 8, "`turn` cannot stand here", "a colon"),
    "time goes back": ("0:02 home\n0:01 home", 3, 1, "time goes back", "in the order"),
    "time goes back behind +": ("0:02 home\n+0.5 home\n 0:02.2 home", 4, 2, "time goes back", "in the order"),
    "time goes back behind then": ("0:01 turn left 20, slow\nthen home\n0:01.1 home", 4, 1, "time goes back", "order"),
    "no unit of time": ("0:01 turn left 20 over 1", 2, 25, "a unit is missing", "s or ms"),
    "no unit before a word": ("0:01 nod sways 3 for 2 , every 1s", 2, 24, "a unit is missing", "s or ms"),
    "no unit of lightness": ("0:01 lamps glow to 60", 2, 22, "a unit is missing", "%"),
    "no unit of a cue's time": ("5 turn left 20", 2, 3, "a unit is missing", "s or ms"),
    "no unit of a length": ("loop 24", 2, 8, "a unit is missing", "s or ms"),
    "61 seconds": ("0:61 home", 2, 1, "`0:61` is no time: seconds run from 0 to 59", "minutes:seconds"),
    "one digit of seconds": ("0:5 home", 2, 1, "`0:5` is no time", "minutes:seconds"),
    "an angle too big": ("0:01 turn left 2000", 2, 16, "this number is too big", "keep the angle"),
    "a long number": ("0:01 turn left " + "9" * 300, 2, 16, "this number is too big", "keep the angle"),
    "a time too big": ("99:00 home", 2, 1, "this number is too big", "keep the time"),
    "a huge time": ("9" * 60 + ":00 home", 2, 1, "this number is too big", "keep the time"),
    "a duration too big": ("0:01 turn left 5 over 9000s", 2, 23, "this number is too big", "keep the duration"),
    "no duration": ("0:01 turn left 5 over 0s", 2, 23, "this number is too small", "keep the duration"),
    "too bright": ("0:01 lamps glow to 160%", 2, 20, "this number is too big", "keep the lightness"),
    "too deep": ("0:01 lamps flicker gutter for 1s, depth 101%", 2, 41, "too big", "keep the depth"),
    "a seed too big": ("0:01 lamps flicker gutter for 2s, seed 65536", 2, 40, "too big", "keep the seed"),
    "a seed below 0": ("0:01 lamps flicker gutter for 2s, seed -1", 2, 40, "too small", "keep the seed"),
    "a broken seed": ("0:01 lamps flicker gutter for 2s, seed 1.5", 2, 40, "a whole number", "fraction"),
    "a period too short": ("0:01 nod sways 3 for 2s, every 0.01s", 2, 32, "too small", "keep the period"),
    "a direction and a sign": ("0:01 turn left -20", 2, 16, "the same thing twice", "write left 20, or -20 alone"),
    "two paces": ("0:01 turn left 20, brisk over 1s", 2, 31, "the pace is given twice", "keep one"),
    "a number in words": ("0:01 turn left twenty", 2, 16, "`twenty` cannot stand here", "a number"),
    "a direction behind its angle": ("0:01 turn 20 left", 2, 14, "`left` is no way to move", "a direction stands before its angle: turn left 20"),
    "a line that ends early": ("0:01 turn left", 2, 15, "the line ends too early", "a number"),
    "a time alone": ("0:01", 2, 5, "the line ends too early", "a name or a word"),
    "no time": ("turn left 20", 2, 1, "a line cannot start with `turn`", "0:02.5"),
    "nonsense": ("?!", 2, 1, "a line cannot start with `?`", "0:02.5"),
    "more than a cue": ("0:01 home, slow 5", 2, 17, "`5` cannot stand here", "nothing else"),
    "sways how long": ("0:01 nod sways 3", 2, 17, "the line ends too early", "`for` or `throughout`"),
    "a sway that lands": ("0:01 lands nod sways 3 for 2s", 2, 1, "can land", "the time at which it starts"),
    "throughout without length": ("0:01 nod sways 3 throughout", 2, 1, "needs a scene of known length", "loop or length"),
    "bars without a tempo": ("bar 1:1 home", 2, 5, "bars need a tempo", "tempo 96 in 4"),
    "a beat that is not there": ("tempo 96\nbar 1:5 home", 3, 5, "no such bar and beat", "bar 1:1"),
    "bar nought": ("tempo 96\nbar 0:1 home", 3, 5, "no such bar and beat", "bar 1:1"),
    "a tempo too big": ("tempo 9600", 2, 7, "too big", "keep the tempo"),
    "two tempos": ("tempo 96\ntempo 90", 3, 7, "already has a tempo", "keep one"),
    "two lengths": ("loop 0:24\nlength 0:25", 3, 8, "already has a length", "keep one"),
    "no length": ("loop 0:00", 2, 6, "longer than nothing", "0:24"),
    "two names": ("scene again", 2, 7, "already has a name", "keep one"),
    "no quotes": ("sound greet.wav at 0:02", 2, 7, "`greet` cannot stand here", "in quotes"),
    "no file name": ('sound "" at 0:02', 2, 7, "the file name is empty", "greet.wav"),
    "a score that is not there": ('score "none.score" at 0:02', 2, 7, "the score `none.score` cannot be used", "check its name and folder"),
    "a lamp before the scene": ("0:00.2 lands lamps glow to 60% over 1s", 2, 1, "start before the scene", "1 s or later"),
    "a switch over a time": ("0:01 bell on over 2s", 2, 6, "goes on or off at once", "leave `over` out"),
    "a verb that is none": ("0:01 bell rings", 2, 11, "`rings` is nothing that `bell` can do", "a switch can: on, off, strikes"),
    "a lamp's verb that is none": ("0:01 lamps shine", 2, 12, "`shine` is nothing", "a lamp can: on, off, glow"),
    "a name alone": ("then laugh", 2, 6, "there is no axis, lamp, switch or pose `laugh`", "known: turn"),
    "a name alone misspelt": ("0:01 bel", 2, 6, "no axis, lamp, switch or pose `bel`", "did you mean `bell`?"),
    "a pose alone": ("0:01 watch", 2, 6, "`watch` is a pose", "write: pose watch"),
    "an axis alone": ("0:01 turn", 2, 6, "does not say what `turn` does", "an axis can: turn right 20"),
    "a direction as a verb": ("0:01 jaw opens 20", 2, 10, "no direction `opens`", "did you mean `open`?"),
    "a direction as a verb alone": ("0:01 jaw opens", 2, 10, "`opens` is nothing", "did you mean `jaw open 20`?"),
    "a score above the show": ('score "../../x" at 0:01', 2, 7, "outside the show's folder", "copy it into"),
    "a score from the root": ('score "/etc/x"', 2, 7, "outside the show's folder", "copy it into"),
    "a score from a drive": ('score "C:\\\\x"', 2, 7, "outside the show's folder", "copy it into"),
    "a sound above the show": ('sound "../x.wav"', 2, 7, "outside the show's folder", "copy it into"),
    "a very long line": ("# " + "x" * 600, 2, 500, "this line is too long", None),
    "the next hour": ("0:01 home\n" + "+3000 home\n" * 2, 4, 1, "too long here", "split it"),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_fault(build, case) -> None:
    lines, line, column, message, remedy = case
    with pytest.raises(SceneError) as raised:
        build(*lines.split("\n"))
    fault = raised.value.faults[0]
    assert (fault.line, fault.column) == (line, column)
    assert message in fault.message
    assert fault.file == "test.scene"
    assert remedy is None or (fault.remedy is not None and remedy in fault.remedy)
    for terminal in ("NAME", "NUMBER", "CLOCK", "$END", "__ANON", "Token"):
        assert terminal not in fault.render()
    caret = fault.render().split("\n")[2]
    assert caret.index("^") == 4 + column - 1


def test_every_fault_of_a_file_is_told() -> None:
    with pytest.raises(SceneError) as raised:
        parse_scene_text("scene a\n0:01 turn left\n0:61 home\n# fine\n0:02 lamps glow to 300%\n", "a.scene")
    assert [fault.line for fault in raised.value.faults] == [2, 3, 5]


def test_every_unknown_name_is_told(build) -> None:
    with pytest.raises(SceneError) as raised:
        build("0:01 trun left 2", "0:02 bel strikes", "0:03 pose nowhere", "0:04 turn wide 3")
    assert [fault.line for fault in raised.value.faults] == [2, 3, 4, 5]


@pytest.mark.parametrize(
    ("text", "says"),
    [("", "is empty"), ("\n\n# nothing\n", "has no name"), ("0:01 home\n", "has no name")],
)
def test_a_scene_needs_its_name(text: str, says: str) -> None:
    with pytest.raises(SceneError, match=says) as raised:
        parse_scene_text(text, "greet.scene", "greet")
    assert raised.value.faults[0].remedy == "start the file with: scene greet"


def test_how_a_fault_looks() -> None:
    with pytest.raises(SceneError) as raised:
        parse_scene_text("scene a\n0:01  turn left 20 ovr 1s  # quick\n", "a.scene")
    assert str(raised.value) == (
        "a.scene:2:20: `ovr` is not a word of the language\n"
        "    0:01  turn left 20 ovr 1s  # quick\n"
        "                       ^^^\n"
        "    do: did you mean `over`?"
    )


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match="there is no such scene file"):
        parse_scene(tmp_path / "none.scene")
    with pytest.raises(SceneError, match="cannot be read"):
        parse_scene(tmp_path)
    binary = tmp_path / "binary.scene"
    binary.write_bytes(b"scene a\n\xff\xfe\x00")
    with pytest.raises(SceneError, match="not a text file"):
        parse_scene(binary)
    big = tmp_path / "big.scene"
    big.write_bytes(b"#\n" * 2_100_000)
    with pytest.raises(SceneError, match="too big"):
        parse_scene(big)


def test_too_many_cues() -> None:
    with pytest.raises(SceneError, match="too many cues"):
        parse_scene_text("scene a\n" + "then home\n" * 20_001, "a.scene")


def test_a_file_and_its_scene_have_one_name(tmp_path: Path) -> None:
    file = tmp_path / "bark.scene"
    file.write_text("# hello\nscene barkk\n0:01 home\n")
    with pytest.raises(SceneError, match=r"is called `barkk`, but its file is bark\.scene") as raised:
        parse_scene(file)
    (fault,) = raised.value.faults
    assert (fault.line, fault.column, fault.width) == (2, 7, 5)
    assert fault.remedy == "write: scene bark, or name the file barkk.scene"
    file.write_text("scene bark\n0:01 home\n")
    assert parse_scene(file).name == "bark"


@pytest.mark.parametrize("name", ["b" * 300, "b" * 25, "m\u00f6we"])
def test_a_name_that_no_board_can_hold(tmp_path: Path, name: str) -> None:
    file = tmp_path / "bark.scene"
    file.write_text(f"scene {name}\n0:01 home\n", encoding="utf-8")
    with pytest.raises(SceneError, match="this is no name for a scene") as raised:
        parse_scene(file)
    (fault,) = raised.value.faults
    assert (fault.line, fault.column) == (1, 7)
    assert "24 characters" in (fault.limit or "")


def test_an_empty_file_shows_no_empty_line_with_a_caret(tmp_path: Path) -> None:
    (tmp_path / "bark.scene").write_text("\n")
    with pytest.raises(SceneError, match="this scene file is empty") as raised:
        parse_scene(tmp_path / "bark.scene")
    assert "^" not in str(raised.value)


def test_the_end_of_a_line_is_never_called_a_token() -> None:
    for line in ("0:01 turn left 20 over", "0:01 nod sways 3", "loop", "pose a", "0:01 lamps glow"):
        with pytest.raises(SceneError) as raised:
            parse_scene_text(f"scene a\n{line}\n", "a.scene")
        assert "end-of-file" not in str(raised.value)
        assert "$END" not in str(raised.value)
