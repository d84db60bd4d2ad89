"""A scene file to a :class:`Scene`; every fault of the file is reported at once."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from sequencer.errors import Fault, SceneError
from sequencer.timeline.laws import LAWS
from sequencer.timeline.scene import (
    Action,
    Angle,
    Cue,
    Flicker,
    Glow,
    Manner,
    Move,
    Pose,
    PoseMove,
    Scene,
    ScoreUse,
    Sound,
    Strike,
    Sway,
    Turned,
    Unsaid,
    When,
    Word,
)
from sequencer.timeline.syntax import BadLineError, parse_line, without_comment
from sequencer.timeline.words import SPEEDS, did_you_mean, remedy_for

#: A lark tree or token; lark itself is imported only when a line is read.
Node = Any

#: Longest scene, most cues, largest file and line that are read.
MAX_LENGTH_S = 3600.0
MAX_CUES = 20_000
MAX_FILE_BYTES = 4_000_000
MAX_LINE = 500
#: Longest name of a scene: it is shown, typed, and stored on the board.
MAX_NAME = 24
MAX_ANGLE_DEG = 360.0
MAX_SEED = 65_535
DEFAULT_GLOW_S = 0.5
DEFAULT_DEPTH = 0.4
#: Shortest sway period that makes sense to a hobby servo's 20 ms frame.
MIN_PERIOD_S = 0.08
_MAX_FAULTS = 50


def parse_scene(path: Path) -> Scene:
    """Read a scene file. Raises :class:`SceneError` with every fault: file, line, column, text, remedy."""
    return parse_scene_text(read_text(path, "scene"), str(path), path.stem, named=True)


def read_text(path: Path, what: str) -> str:
    """The UTF-8 text of a small file. Raises :class:`SceneError` when there is none to read."""
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise SceneError(
                Fault(
                    f"this {what} file is too big",
                    str(path),
                    value=f"{size} bytes",
                    limit=f"{MAX_FILE_BYTES} bytes",
                    remedy="split it",
                )
            )
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SceneError(
            Fault(f"there is no such {what} file", str(path), remedy="check its name and folder")
        ) from None
    except UnicodeDecodeError as error:
        raise SceneError(
            Fault(
                f"this is not a text file (byte {error.start} is not UTF-8)",
                str(path),
                remedy="save it as UTF-8 text",
            )
        ) from None
    except OSError as error:
        raise SceneError(Fault(f"the {what} file cannot be read: {error.strerror}", str(path))) from None


def parse_scene_text(text: str, file: str, default_name: str = "scene", *, named: bool = False) -> Scene:
    """Like :func:`parse_scene`, from text; ``file`` names it in faults.

    With ``named`` the scene's name must be ``default_name``: events and triggers find a scene by it.
    """
    reader = _Reader(text, file)
    return reader.read(default_name, named)


class _Reader:
    """Collects what the lines say, and their faults."""

    def __init__(self, text: str, file: str) -> None:
        self.lines = tuple(line.rstrip("\r") for line in text.split("\n"))
        self.file = file
        self.faults: list[Fault] = []
        self.line = 0
        self.name: str | None = None
        self.name_at = (1, 1)
        self.long_name = False
        self.loop = False
        self.length_s: float | None = None
        self.tempo: tuple[float, int, float] | None = None
        self.poses: dict[str, Pose] = {}
        self.cues: list[Cue] = []
        self.sounds: list[Sound] = []
        self.scores: list[ScoreUse] = []
        self.earliest_s = 0.0  # no cue from here on may be known to start sooner

    def read(self, default_name: str, named: bool) -> Scene:
        left_to_figure: list[tuple[int, BadLineError]] = []
        for number, raw in enumerate(self.lines, 1):
            self.line = number
            if len(raw) > MAX_LINE:
                self._fault("this line is too long", MAX_LINE, limit=f"{MAX_LINE} characters", text=raw[:60])
                continue
            text = without_comment(raw)
            if text.strip():
                try:
                    self._take(parse_line(text))
                except BadLineError as bad:
                    if bad.subject is not None and self._unsaid(text, bad.subject, bad.verb):
                        left_to_figure.append((number, bad))
                    else:
                        self._fault(bad.message, bad.column, bad.width, remedy=bad.remedy)
            if len(self.faults) >= _MAX_FAULTS:
                break
        if self.name is None and not self.faults:
            remedy = f"start the file with: scene {default_name}"
            if any(line.strip() for line in self.lines):
                self.line = 1
                self._fault("the scene has no name", 1, remedy=remedy)
            else:
                self.faults.append(Fault("this scene file is empty", self.file, remedy=remedy))
        if named and self.name is not None and self.name != default_name and not self.long_name:
            self.line, column = self.name_at
            self._fault(
                f"this scene is called `{self.name}`, but its file is {Path(self.file).name}", column,
                len(self.name), remedy=f"write: scene {default_name}, or name the file {self.name}.scene",
            )  # fmt: skip
        if self.faults:
            # The figure will not be asked now, so what was left to it is told as the grammar sees it.
            for self.line, left in left_to_figure:
                self._fault(left.message, left.column, left.width, remedy=left.remedy)
            raise SceneError.from_faults(sorted(self.faults, key=lambda fault: fault.line or 0))
        return Scene(
            self.name or default_name, self.file, self.loop, self.length_s, self.poses, tuple(self.cues),
            tuple(self.sounds), tuple(self.scores), self.lines,
        )  # fmt: skip

    def _fault(
        self, message: str, column: int, width: int = 1, *, value: str | None = None,
        limit: str | None = None, remedy: str | None = None, text: str | None = None,
    ) -> None:  # fmt: skip
        shown = self.lines[self.line - 1] if text is None else text
        self.faults.append(
            Fault(
                message, self.file, self.line, column, width, shown, value=value, limit=limit, remedy=remedy
            )
        )

    def _unsaid(self, text: str, subject: tuple[str, int], verb: tuple[str, int] | None) -> bool:
        """Keep a cue without a verb for the figure to judge: its time is read as that of any cue.

        False when the line is wrong before its subject already, so that no cue can be made of it.
        """
        known = len(self.cues)
        try:
            self._take(parse_line(text[: subject[1] - 1] + "home"))
        except BadLineError:
            return False
        if len(self.cues) > known:
            word = Word(subject[0], self.line, subject[1])
            said = None if verb is None else Word(verb[0], self.line, verb[1])
            self.cues[-1] = replace(self.cues[-1], action=Unsaid(word, said))
        return True

    # -- lines --------------------------------------------------------------------------------

    def _take(self, tree: Node) -> None:
        getattr(self, f"_line_{tree.data}")(tree)

    def _line_scene(self, tree: Node) -> None:
        token = tree.children[0]
        if self.name is not None:
            self._fault(
                "the scene already has a name", token.column, len(token), remedy="keep one scene line"
            )
        if len(token) > MAX_NAME or not token.isascii():
            self.long_name = True
            self._fault(
                "this is no name for a scene", token.column, min(len(token), 60),
                value=f"{len(token)} characters" if token.isascii() else f"`{_short(token)}`",
                limit=f"{MAX_NAME} characters: letters a to z, digits and _",
                remedy="give it a short plain name",
            )  # fmt: skip
        self.name, self.name_at = str(token), (self.line, token.column)

    def _line_loop(self, tree: Node) -> None:
        self._set_length(tree)
        self.loop = True

    def _line_length(self, tree: Node) -> None:
        self._set_length(tree)

    def _set_length(self, tree: Node) -> None:
        part = tree.children[0]
        if self.length_s is not None:
            self._fault(
                "the scene already has a length", _column(part), remedy="keep one loop or length line"
            )
        self.length_s = self._time(part)
        if self.length_s <= 0:
            self._fault(
                "a scene lasts longer than nothing", _column(part), remedy="give it a length, like 0:24"
            )

    def _line_tempo(self, tree: Node) -> None:
        number, *rest = tree.children
        if self.tempo is not None:
            self._fault(
                "the scene already has a tempo", number.column, len(number), remedy="keep one tempo line"
            )
        beats, start_s = 4, 0.0
        for part in rest:
            if part.data == "in_beats":
                beats = self._whole(part.children[0], 1, 32, "beats to the bar")
            else:
                start_s = self._time(part.children[0])
        self.tempo = (self._number(number, 10, 500, "tempo", "beats a minute"), beats, start_s)

    def _line_pose(self, tree: Node) -> None:
        name, *placings = tree.children
        if name == "home":
            self._fault("home is the figure's rest pose and cannot be another", name.column, len(name),
                        remedy="give this pose another name")  # fmt: skip
        if str(name) in self.poses:
            first = self.poses[str(name)].name.line
            self._fault(
                f"pose `{name}` is already there (line {first})", name.column, len(name),
                remedy="give this one another name",
            )  # fmt: skip
        angles: dict[str, tuple[Word, Angle]] = {}
        for placing in placings:
            axis = placing.children[0]
            if str(axis) in angles:
                self._fault(
                    f"`{axis}` is placed twice in this pose", axis.column, len(axis), remedy="keep one"
                )
            angles[str(axis)] = (self._word(axis), self._angle(placing.children[1]))
        self.poses[str(name)] = Pose(self._word(name), tuple(angles.values()))

    def _line_sound(self, tree: Node) -> None:
        path, at_s = self._file_at(tree)
        self.sounds.append(Sound(path, at_s, self.line))

    def _line_score(self, tree: Node) -> None:
        path, at_s = self._file_at(tree)
        self.scores.append(ScoreUse(path, at_s, self.line, tree.children[0].column))

    def _file_at(self, tree: Node) -> tuple[str, float]:
        name = str(tree.children[0])[1:-1]
        if not name.strip():
            token = tree.children[0]
            self._fault(
                "the file name is empty", token.column, len(token), remedy='write it, like "greet.wav"'
            )
        parts = name.replace("\\", "/").split("/")
        if ".." in parts or not parts[0] or ":" in parts[0] or parts[0].startswith("~"):
            token = tree.children[0]
            self._fault(
                f"`{name}` is outside the show's folder", token.column, len(token),
                remedy="copy it into the show's folder and name it from there: a show is moved as a whole",
            )  # fmt: skip
        return name, self._time(tree.children[1].children[0]) if len(tree.children) > 1 else 0.0

    def _line_cue(self, tree: Node) -> None:
        when_tree, *rest = tree.children
        lands = len(rest) == 2
        when = self._when(when_tree)
        action = self._action(rest[-1])
        column = _column(when_tree) if when_tree.children else len(self.lines[self.line - 1]) - len(
            self.lines[self.line - 1].lstrip()
        ) + 1  # fmt: skip
        if lands and isinstance(action, Sway | Flicker):
            self._fault(
                "only moves, fades, strikes, on and off can land",
                column,
                remedy="give this cue the time at which it starts",
            )
        if when.kind == "at":
            if when.value_s < self.earliest_s - 1e-9:
                self._fault(
                    "time goes back: the cue before starts later", column, _width(when_tree),
                    value=f"{when.value_s:g} s", limit=f"{self.earliest_s:g} s",
                    remedy="put the cues in the order of their times",
                )  # fmt: skip
            self.earliest_s = max(self.earliest_s, when.value_s)
        elif when.kind == "after":
            self.earliest_s += when.value_s
        if self.earliest_s > MAX_LENGTH_S and when.kind == "after":
            self._fault(
                "the scene gets too long here", column, limit=f"{MAX_LENGTH_S:g} s", remedy="split it"
            )
            self.earliest_s = 0.0
        if len(self.cues) == MAX_CUES:
            self._fault("too many cues in one scene", column, limit=str(MAX_CUES), remedy="split the scene")
        self.cues.append(Cue(when, lands, action, self.line, column))

    # -- parts --------------------------------------------------------------------------------

    def _when(self, tree: Node) -> When:
        if tree.data == "then":
            return When("then")
        if tree.data == "after":
            token = tree.children[0]
            return When("after", self._check(token, float(token[1:]), 0, MAX_LENGTH_S, "time", "s"))
        return When("at", self._time(tree.children[0]))

    def _time(self, tree: Node) -> float:
        """Seconds of a clock, a duration or a bar."""
        token = tree.children[0]
        if tree.data == "duration":
            return self._duration(tree, 0.0, MAX_LENGTH_S)
        left, right = str(token).split(":")
        if tree.data == "clock":
            return self._check(token, 60 * float(left) + float(right), 0, MAX_LENGTH_S, "time", "s")
        if self.tempo is None:
            self._fault(
                "bars need a tempo first",
                token.column,
                len(token),
                remedy="write a line like: tempo 96 in 4 (above this one)",
            )
            return self.earliest_s
        per_minute, beats, start_s = self.tempo
        bar, beat = float(left), float(right)
        if bar < 1 or not 1 <= beat < beats + 1:
            self._fault(
                "there is no such bar and beat: both count from 1", token.column, len(token),
                value=_short(token), limit=f"beats 1 to {beats}", remedy="bar 1:1 is the first beat",
            )  # fmt: skip
            return self.earliest_s
        seconds = start_s + ((bar - 1) * beats + beat - 1) * 60 / per_minute
        return self._check(token, seconds, 0, MAX_LENGTH_S, "time", "s")

    def _duration(self, tree: Node, low: float, high: float, what: str = "duration") -> float:
        number, unit = tree.children
        return self._check(number, float(number) * (0.001 if unit == "ms" else 1.0), low, high, what, "s")

    def _check(self, token: Node, value: float, low: float, high: float, what: str, unit: str) -> float:
        if low <= value <= high:
            return value
        side = "big" if value > high else "small"
        space = "" if unit == "%" else " "
        self._fault(
            f"this number is too {side}", token.column or 1, len(token), value=f"{what} {_short(token)}",
            limit=f"{low:g} to {high:g}{space}{unit}", remedy=f"keep the {what} within the limit",
        )  # fmt: skip
        return low if value < low else high

    def _number(self, token: Node, low: float, high: float, what: str, unit: str) -> float:
        return self._check(token, float(token), low, high, what, unit)

    def _whole(self, token: Node, low: int, high: int, what: str) -> int:
        value = self._check(token, float(token), low, high, what, "")
        if value != math.floor(value):
            self._fault(
                f"{what} must be a whole number",
                token.column or 1,
                len(token),
                remedy="leave out the fraction",
            )
        return int(value)

    def _percent(self, tree: Node, what: str) -> float:
        return self._number(tree.children[0], 0, 100, what, "%") / 100

    def _word(self, token: Node) -> Word:
        return Word(str(token), self.line, token.column or 1)

    def _angle(self, tree: Node) -> Angle:
        if tree.data == "at_home":
            return Angle(None, None, Word("home", self.line, 1))
        number = tree.children[-1]
        if tree.data == "signed":
            value = self._number(number, -MAX_ANGLE_DEG, MAX_ANGLE_DEG, "angle", "deg")
            return Angle(None, value, self._word(number))
        direction = tree.children[0]
        if number[0] in "+-":
            self._fault(
                "a direction and a sign say the same thing twice", number.column, len(number),
                remedy=f"write {direction} {number[1:]}, or {number} alone",
            )  # fmt: skip
            return Angle(self._word(direction), 0.0, self._word(number))
        value = self._number(number, 0, MAX_ANGLE_DEG, "angle", "deg")
        return Angle(self._word(direction), value, self._word(number))

    def _over(self, tree: Node) -> float:
        return self._duration(tree.children[0], 0.001, MAX_LENGTH_S)

    def _manner(self, tree: Node) -> Manner:
        place: Node
        speed: str | None = None
        over_s: float | None = None
        law: str | None = None
        for part in tree.children:
            if not hasattr(part, "column"):  # a tree: over DURATION
                twice, over_s = over_s is not None or speed is not None, self._over(part)
                place = part.children[0].children[0]
            elif part in SPEEDS:
                twice, speed, place = over_s is not None or speed is not None, str(part), part
            elif part in LAWS:
                twice, law, place = law is not None, str(part), part
            else:
                self._no_manner(part)
                continue
            if twice:
                self._fault(
                    "the pace is given twice",
                    place.column or 1,
                    len(place),
                    remedy="keep one speed word or one duration, and one law word",
                )
        return Manner(speed, over_s, law)

    def _no_manner(self, part: Node) -> None:
        """``turn 20 left`` most likely, or a misspelt pace."""
        pace = did_you_mean(part, ["over", *SPEEDS, *LAWS])
        before = self.lines[self.line - 1][: part.column - 1]
        ahead = re.search(r"(\w+)\s+(\d+(?:\.\d+)?)(?:\s*deg)?\s*$", before)
        if pace is None and ahead is not None:
            remedy = f"a direction stands before its angle: {ahead[1]} {part} {ahead[2]}"
        else:
            remedy = remedy_for(part, ["over", *SPEEDS, *LAWS])
        self._fault(f"`{part}` is no way to move", part.column, len(part), remedy=remedy)

    def _action(self, tree: Node) -> Action:
        return getattr(self, f"_do_{tree.data}")(tree.children)  # type: ignore[no-any-return]

    def _do_home(self, parts: list[Node]) -> Action:
        return PoseMove(None, self._manner(parts[0]))

    def _do_pose_move(self, parts: list[Node]) -> Action:
        return PoseMove(self._word(parts[0]), self._manner(parts[1]))

    def _do_move(self, parts: list[Node]) -> Action:
        return Move(self._word(parts[0]), self._angle(parts[1]), self._manner(parts[2]))

    def _do_sway(self, parts: list[Node]) -> Action:
        axis, verb, number, length, *rest = parts
        amplitude = self._number(number, 0.01, 180, "swing", "deg")
        duration: float | None = None
        if not isinstance(length, str):
            duration = self._duration(length.children[0], 0.1, MAX_LENGTH_S)
        period: float | None = None
        if rest:
            period = self._duration(rest[0].children[0], MIN_PERIOD_S, 600.0, "period")
        kind = "sways" if verb.type == "SWAYS" else "shakes"
        return Sway(self._word(axis), kind, amplitude, duration, period)  # type: ignore[arg-type]

    def _do_glow(self, parts: list[Node]) -> Action:
        over = self._over(parts[2]) if len(parts) > 2 else DEFAULT_GLOW_S
        return Glow(self._word(parts[0]), self._percent(parts[1], "lightness"), over)

    def _do_flicker(self, parts: list[Node]) -> Action:
        lamp, kind, length, *rest = parts
        if kind not in ("gutter", "failing"):
            self._fault(
                f"there is no flicker `{kind}`",
                kind.column,
                len(kind),
                remedy=remedy_for(kind, ["gutter", "failing"]),
            )
        depth, seed = DEFAULT_DEPTH, 1
        for part in rest:
            if part.data == "depth":
                depth = self._percent(part.children[0], "depth")
            else:
                seed = self._whole(part.children[0], 0, MAX_SEED, "seed")
        duration = self._duration(length.children[0], 0.1, MAX_LENGTH_S)
        shown = "failing" if kind == "failing" else "gutter"
        return Flicker(self._word(lamp), shown, duration, depth, seed)  # type: ignore[arg-type]

    def _do_turned(self, parts: list[Node]) -> Action:
        over = self._over(parts[2]) if len(parts) > 2 else None
        return Turned(self._word(parts[0]), parts[1].type == "ON", over)

    def _do_strike(self, parts: list[Node]) -> Action:
        return Strike(self._word(parts[0]))


def _short(token: str) -> str:
    return str(token) if len(token) <= 24 else f"{token[:21]}..."


def _first(tree: Node) -> Node:
    """The first token below ``tree``."""
    while not isinstance(tree, str):
        tree = tree.children[0]
    return tree


def _column(tree: Node) -> int:
    return _first(tree).column or 1


def _width(tree: Node) -> int:
    return len(_first(tree))
