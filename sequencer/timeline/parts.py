"""What a line of a scene is made of: times, numbers, angles and manners, each checked against its limits."""

from __future__ import annotations

import math
import re
from typing import Any

from sequencer.errors import Fault
from sequencer.timeline.laws import LAWS
from sequencer.timeline.scene import Angle, Manner, When, Word
from sequencer.timeline.words import SPEEDS, did_you_mean, remedy_for

#: A lark tree or token; lark itself is imported only when a line is read.
Node = Any

#: Longest scene.
MAX_LENGTH_S = 3600.0
MAX_ANGLE_DEG = 360.0


class Parts:
    """Reads the parts of one line at a time (``line``, from 1) and collects their faults."""

    def __init__(self, lines: tuple[str, ...], file: str) -> None:
        self.lines = lines
        self.file = file
        self.faults: list[Fault] = []
        self.line = 0
        self.tempo: tuple[float, int, float] | None = None
        self.earliest_s = 0.0  # no cue from here on may be known to start sooner

    def fault(
        self, message: str, column: int, width: int = 1, *, value: str | None = None,
        limit: str | None = None, remedy: str | None = None, text: str | None = None,
    ) -> None:  # fmt: skip
        """Note a fault at ``column`` of the present line."""
        shown = self.lines[self.line - 1] if text is None else text
        self.faults.append(
            Fault(
                message, self.file, self.line, column, width, shown, value=value, limit=limit, remedy=remedy
            )
        )

    def when(self, tree: Node) -> When:
        """A cue's time."""
        if tree.data == "then":
            return When("then")
        if tree.data == "after":
            token = tree.children[0]
            return When("after", self.check(token, float(token[1:]), 0, MAX_LENGTH_S, "time", "s"))
        return When("at", self.time(tree.children[0]))

    def time(self, tree: Node) -> float:
        """Seconds of a clock, a duration or a bar."""
        token = tree.children[0]
        if tree.data == "duration":
            return self.duration(tree, 0.0, MAX_LENGTH_S)
        left, right = str(token).split(":")
        if tree.data == "clock":
            return self.check(token, 60 * float(left) + float(right), 0, MAX_LENGTH_S, "time", "s")
        if self.tempo is None:
            self.fault(
                "bars need a tempo first",
                token.column,
                len(token),
                remedy="write a line like: tempo 96 in 4 (above this one)",
            )
            return self.earliest_s
        per_minute, beats, start_s = self.tempo
        bar, beat = float(left), float(right)
        if bar < 1 or not 1 <= beat < beats + 1:
            self.fault(
                "there is no such bar and beat: both count from 1", token.column, len(token),
                value=short(token), limit=f"beats 1 to {beats}", remedy="bar 1:1 is the first beat",
            )  # fmt: skip
            return self.earliest_s
        seconds = start_s + ((bar - 1) * beats + beat - 1) * 60 / per_minute
        return self.check(token, seconds, 0, MAX_LENGTH_S, "time", "s")

    def duration(self, tree: Node, low: float, high: float, what: str = "duration") -> float:
        """Seconds of a duration within limits."""
        number, unit = tree.children
        return self.check(number, float(number) * (0.001 if unit == "ms" else 1.0), low, high, what, "s")

    def check(self, token: Node, value: float, low: float, high: float, what: str, unit: str) -> float:
        """``value`` if it lies within limits, else the nearest limit and a fault."""
        if low <= value <= high:
            return value
        side = "big" if value > high else "small"
        space = "" if unit == "%" else " "
        self.fault(
            f"this number is too {side}", token.column or 1, len(token), value=f"{what} {short(token)}",
            limit=f"{low:g} to {high:g}{space}{unit}", remedy=f"keep the {what} within the limit",
        )  # fmt: skip
        return low if value < low else high

    def number(self, token: Node, low: float, high: float, what: str, unit: str) -> float:
        """A number within limits."""
        return self.check(token, float(token), low, high, what, unit)

    def whole(self, token: Node, low: int, high: int, what: str) -> int:
        """A whole number within limits."""
        value = self.check(token, float(token), low, high, what, "")
        if value != math.floor(value):
            self.fault(
                f"{what} must be a whole number",
                token.column or 1,
                len(token),
                remedy="leave out the fraction",
            )
        return int(value)

    def percent(self, tree: Node, what: str) -> float:
        """A percentage as a share."""
        return self.number(tree.children[0], 0, 100, what, "%") / 100

    def word(self, token: Node) -> Word:
        """A word and where it stands."""
        return Word(str(token), self.line, token.column or 1)

    def angle(self, tree: Node) -> Angle:
        """An angle as written."""
        if tree.data == "at_home":
            return Angle(None, None, Word("home", self.line, 1))
        number = tree.children[-1]
        if tree.data == "signed":
            value = self.number(number, -MAX_ANGLE_DEG, MAX_ANGLE_DEG, "angle", "deg")
            return Angle(None, value, self.word(number))
        direction = tree.children[0]
        if number[0] in "+-":
            self.fault(
                "a direction and a sign say the same thing twice", number.column, len(number),
                remedy=f"write {direction} {number[1:]}, or {number} alone",
            )  # fmt: skip
            return Angle(self.word(direction), 0.0, self.word(number))
        value = self.number(number, 0, MAX_ANGLE_DEG, "angle", "deg")
        return Angle(self.word(direction), value, self.word(number))

    def over(self, tree: Node) -> float:
        """The duration after ``over``."""
        return self.duration(tree.children[0], 0.001, MAX_LENGTH_S)

    def manner(self, tree: Node) -> Manner:
        """Pace and law of a move."""
        place: Node
        speed: str | None = None
        over_s: float | None = None
        law: str | None = None
        for part in tree.children:
            if not hasattr(part, "column"):  # a tree: over DURATION
                twice, over_s = over_s is not None or speed is not None, self.over(part)
                place = part.children[0].children[0]
            elif part in SPEEDS:
                twice, speed, place = over_s is not None or speed is not None, str(part), part
            elif part in LAWS:
                twice, law, place = law is not None, str(part), part
            else:
                self._no_manner(part)
                continue
            if twice:
                self.fault(
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
        self.fault(f"`{part}` is no way to move", part.column, len(part), remedy=remedy)


def short(token: str) -> str:
    """A token as shown in a fault."""
    return str(token) if len(token) <= 24 else f"{token[:21]}..."


def _first(tree: Node) -> Node:
    """The first token below ``tree``."""
    while not isinstance(tree, str):
        tree = tree.children[0]
    return tree


def column_of(tree: Node) -> int:
    """Where ``tree`` begins (1-based)."""
    return _first(tree).column or 1


def width_of(tree: Node) -> int:
    """How long its first token is."""
    return len(_first(tree))
