"""A scene file to a :class:`Scene`; every fault of the file is reported at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

from sequencer.errors import Fault, SceneError
from sequencer.timeline.actions import Actions
from sequencer.timeline.parts import MAX_LENGTH_S, Node, column_of, short, width_of
from sequencer.timeline.scene import (
    Angle,
    Cue,
    Flicker,
    Pose,
    Scene,
    ScoreUse,
    Sound,
    Stands,
    Sway,
    Unsaid,
    Word,
)
from sequencer.timeline.syntax import BadLineError, parse_line, without_comment
from sequencer.timeline.words import PACES, remedy_for

#: Most cues, largest file and line that are read.
MAX_CUES = 20_000
MAX_FILE_BYTES = 4_000_000
MAX_LINE = 500
#: Longest name of a scene: it is shown, typed, and stored on the board.
MAX_NAME = 24
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


class _Reader(Actions):
    """Collects what the lines say, and their faults."""

    def __init__(self, text: str, file: str) -> None:
        super().__init__(tuple(line.rstrip("\r") for line in text.split("\n")), file)
        self.name: str | None = None
        self.name_at = (1, 1)
        self.long_name = False
        self.loop = False
        self.length_s: float | None = None
        self.pace: Literal["quiet", "full"] | None = None
        self.poses: dict[str, Pose] = {}
        self.cues: list[Cue] = []
        self.sounds: list[Sound] = []
        self.scores: list[ScoreUse] = []

    def read(self, default_name: str, named: bool) -> Scene:
        left_to_figure: list[tuple[int, BadLineError]] = []
        for number, raw in enumerate(self.lines, 1):
            self.line = number
            if len(raw) > MAX_LINE:
                self.fault("this line is too long", MAX_LINE, limit=f"{MAX_LINE} characters", text=raw[:60])
                continue
            text = without_comment(raw)
            if text.strip():
                try:
                    self._take(parse_line(text))
                except BadLineError as bad:
                    if bad.subject is not None and self._unsaid(text, bad.subject, bad.verb):
                        left_to_figure.append((number, bad))
                    else:
                        self.fault(bad.message, bad.column, bad.width, remedy=bad.remedy)
            if len(self.faults) >= _MAX_FAULTS:
                break
        if self.name is None and not self.faults:
            remedy = f"start the file with: scene {default_name}"
            if any(line.strip() for line in self.lines):
                self.line = 1
                self.fault("the scene has no name", 1, remedy=remedy)
            else:
                self.faults.append(Fault("this scene file is empty", self.file, remedy=remedy))
        if named and self.name is not None and self.name != default_name and not self.long_name:
            self.line, column = self.name_at
            self.fault(
                f"this scene is called `{self.name}`, but its file is {Path(self.file).name}", column,
                len(self.name), remedy=f"write: scene {default_name}, or name the file {self.name}.scene",
            )  # fmt: skip
        if self.faults:
            # The figure will not be asked now, so what was left to it is told as the grammar sees it.
            for self.line, left in left_to_figure:
                self.fault(left.message, left.column, left.width, remedy=left.remedy)
            raise SceneError.from_faults(sorted(self.faults, key=lambda fault: fault.line or 0))
        return Scene(
            self.name or default_name, self.file, self.loop, self.length_s, self.poses, tuple(self.cues),
            tuple(self.sounds), tuple(self.scores), self.lines, self.pace,
        )  # fmt: skip

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
            self.fault("the scene already has a name", token.column, len(token), remedy="keep one scene line")
        if len(token) > MAX_NAME or not token.isascii():
            self.long_name = True
            self.fault(
                "this is no name for a scene", token.column, min(len(token), 60),
                value=f"{len(token)} characters" if token.isascii() else f"`{short(token)}`",
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
            self.fault(
                "the scene already has a length", column_of(part), remedy="keep one loop or length line"
            )
        self.length_s = self.time(part)
        if self.length_s <= 0:
            self.fault(
                "a scene lasts longer than nothing", column_of(part), remedy="give it a length, like 0:24"
            )

    def _line_pace(self, tree: Node) -> None:
        word = tree.children[0]
        if self.pace is not None:
            self.fault("the scene already has a pace", word.column, len(word), remedy="keep one pace line")
        if word not in PACES:
            self.fault(
                f"`{word}` is no pace of a scene", word.column, len(word), remedy=remedy_for(word, PACES)
            )
        self.pace = "quiet" if word == "quiet" else "full"

    def _line_tempo(self, tree: Node) -> None:
        number, *rest = tree.children
        if self.tempo is not None:
            self.fault(
                "the scene already has a tempo", number.column, len(number), remedy="keep one tempo line"
            )
        beats, start_s = 4, 0.0
        for part in rest:
            if part.data == "in_beats":
                beats = self.whole(part.children[0], 1, 32, "beats to the bar")
            else:
                start_s = self.time(part.children[0])
        self.tempo = (self.number(number, 10, 500, "tempo", "beats a minute"), beats, start_s)

    def _line_pose(self, tree: Node) -> None:
        name, *placings = tree.children
        if name == "home":
            self.fault("home is the figure's rest pose and cannot be another", name.column, len(name),
                        remedy="give this pose another name")  # fmt: skip
        if str(name) in self.poses:
            first = self.poses[str(name)].name.line
            self.fault(
                f"pose `{name}` is already there (line {first})", name.column, len(name),
                remedy="give this one another name",
            )  # fmt: skip
        angles: dict[str, tuple[Word, Angle]] = {}
        for placing in placings:
            axis = placing.children[0]
            if str(axis) in angles:
                self.fault(
                    f"`{axis}` is placed twice in this pose", axis.column, len(axis), remedy="keep one"
                )
            angles[str(axis)] = (self.word(axis), self.angle(placing.children[1]))
        self.poses[str(name)] = Pose(self.word(name), tuple(angles.values()))

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
            self.fault(
                "the file name is empty", token.column, len(token), remedy='write it, like "greet.wav"'
            )
        parts = name.replace("\\", "/").split("/")
        if ".." in parts or not parts[0] or ":" in parts[0] or parts[0].startswith("~"):
            token = tree.children[0]
            self.fault(
                f"`{name}` is outside the show's folder", token.column, len(token),
                remedy="copy it into the show's folder and name it from there: a show is moved as a whole",
            )  # fmt: skip
        return name, self.time(tree.children[1].children[0]) if len(tree.children) > 1 else 0.0

    def _line_cue(self, tree: Node) -> None:
        when_tree, *rest = tree.children
        lands = len(rest) == 2
        when = self.when(when_tree)
        action = self.action(rest[-1])
        column = column_of(when_tree) if when_tree.children else len(self.lines[self.line - 1]) - len(
            self.lines[self.line - 1].lstrip()
        ) + 1  # fmt: skip
        if lands and isinstance(action, Sway | Stands | Flicker):
            self.fault(
                "only moves, fades, strikes, on and off can land",
                column,
                remedy="give this cue the time at which it starts",
            )
        if when.kind == "at":
            if when.value_s < self.earliest_s - 1e-9:
                self.fault(
                    "time goes back: the cue before starts later", column, width_of(when_tree),
                    value=f"{when.value_s:g} s", limit=f"{self.earliest_s:g} s",
                    remedy="put the cues in the order of their times",
                )  # fmt: skip
            self.earliest_s = max(self.earliest_s, when.value_s)
        elif when.kind == "after":
            self.earliest_s += when.value_s
        if self.earliest_s > MAX_LENGTH_S and when.kind == "after":
            self.fault("the scene gets too long here", column, limit=f"{MAX_LENGTH_S:g} s", remedy="split it")
            self.earliest_s = 0.0
        if len(self.cues) == MAX_CUES:
            self.fault("too many cues in one scene", column, limit=str(MAX_CUES), remedy="split the scene")
        self.cues.append(Cue(when, lands, action, self.line, column))
