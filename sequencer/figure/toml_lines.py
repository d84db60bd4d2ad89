"""Where each key of a TOML text stands, which tomllib does not tell.

A small scanner of keys, headers, strings and brackets. It is run on texts that tomllib has already
accepted, so it need not judge; on anything strange it stops and the places found so far are used.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping
from dataclasses import dataclass

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]}\n#]*")
_ESCAPE = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", re.DOTALL)
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


@dataclass(frozen=True)
class Place:
    """A key or header in the text: 1-based line and column, width in characters."""

    line: int
    column: int
    width: int


class _StrangeTextError(Exception):
    """The text is not what the scanner expected."""


class _Scanner:
    """One walk over the text; ``places`` maps a key's path to where it is first written."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.places: dict[Path, Place] = {}
        self._line = 1
        self._line_start = 0
        self._counted = 0

    def _place(self, start: int, end: int) -> Place:
        newlines = self.text.count("\n", self._counted, start)
        if newlines:
            self._line += newlines
            self._line_start = self.text.rfind("\n", 0, start) + 1
        self._counted = start
        return Place(self._line, start - self._line_start + 1, max(1, end - start))

    def _note(self, path: Path, start: int, end: int) -> None:
        place = self._place(start, end)
        self.places.setdefault(path, place)

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        assert match is not None  # both patterns match the empty string
        self.at = match.end()

    def _expect(self, mark: str) -> None:
        if not self.text.startswith(mark, self.at):
            raise _StrangeTextError
        self.at += len(mark)

    def _string(self) -> str:
        quote = self.text[self.at]
        triple = self.text.startswith(quote * 3, self.at)
        mark = quote * 3 if triple else quote
        start = self.at + len(mark)
        at = start
        while not self.text.startswith(mark, at):
            if at >= len(self.text):
                raise _StrangeTextError
            at += 2 if quote == '"' and self.text[at] == "\\" else 1
        while triple and at + 3 < len(self.text) and self.text[at + 3] == quote:
            at += 1  # up to two quotes may stand before the closing three
        self.at = at + len(mark)
        inside = self.text[start:at]
        return inside if quote == "'" else _ESCAPE.sub(_unescape, inside)

    def _key(self) -> tuple[Path, int, int]:
        start = self.at
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            if self.text[self.at : self.at + 1] in ('"', "'"):
                parts.append(self._string())
            elif match := _BARE.match(self.text, self.at):
                parts.append(match.group())
                self.at = match.end()
            else:
                raise _StrangeTextError
            end = self.at
            self._skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return tuple(parts), start, end
            self.at += 1

    def _pair(self, base: Path) -> None:
        key, start, end = self._key()
        for count in range(1, len(key) + 1):
            self._note(base + key[:count], start, end)
        self._expect("=")
        self._skip(_SPACE)
        self._value(base + key)

    def _value(self, path: Path) -> None:
        mark = self.text[self.at : self.at + 1]
        if mark in ('"', "'"):
            self._string()
        elif mark == "[":
            self._items(path, "]")
        elif mark == "{":
            self._items(path, "}")
        else:
            self._skip(_SCALAR)

    def _items(self, path: Path, close: str) -> None:
        self.at += 1
        index = 0
        while True:
            self._skip(_GAP)
            if self.text.startswith(close, self.at):
                self.at += 1
                return
            if close == "]":
                self._note((*path, index), self.at, self.at + 1)
                self._value((*path, index))
                index += 1
            else:
                self._pair(path)
            self._skip(_GAP)
            if not self.text.startswith(close, self.at):
                self._expect(",")

    def walk(self) -> None:
        base: Path = ()
        counts: dict[Path, int] = {}
        while True:
            self._skip(_GAP)
            if self.at >= len(self.text):
                return
            if self.text.startswith("[", self.at):
                start = self.at
                many = self.text.startswith("[[", self.at)
                self.at += 2 if many else 1
                key, _, _ = self._key()
                self._expect("]]" if many else "]")
                base = key
                for count in range(1, len(key) + 1):
                    self._note(key[:count], start, self.at)
                if many:
                    number = counts.get(key, 0)
                    counts[key] = number + 1
                    base = (*key, number)
                    self._note(base, start, self.at)
                else:
                    # A later header of the same table is the better place than a longer header before it.
                    self.places[key] = Place(self._line, start - self._line_start + 1, self.at - start)
            else:
                self._pair(base)


def _unescape(match: re.Match[str]) -> str:
    code = match.group(1)
    if code[0] in "uU" and len(code) > 1:
        number = int(code[1:], 16)
        return chr(number) if number < 0x110000 else "?"
    return _ESCAPED.get(code, code)


def places(text: str) -> Mapping[Path, Place]:
    """Path of every key and table header -> its place. Array elements carry their index in the path."""
    scanner = _Scanner(text)
    # Whatever was found before a strange spot still helps.
    with contextlib.suppress(_StrangeTextError, RecursionError):
        scanner.walk()
    return scanner.places


def find(known: Mapping[Path, Place], path: Path) -> Place | None:
    """The place of ``path``, or of the nearest table around it that is written in the text."""
    for length in range(len(path), 0, -1):
        if place := known.get(path[:length]):
            return place
    return None
