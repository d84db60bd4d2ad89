"""One line of a scene file to a tree, and a plain sentence when that fails.

The grammar is ``scene.lark``; lark is imported at the first line that is read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from sequencer.timeline.laws import LAWS
from sequencer.timeline.words import SPEEDS, did_you_mean, listed

if TYPE_CHECKING:
    from lark import Tree

_OPENINGS = ("scene", "loop", "length", "pace", "tempo", "pose", "sound", "score", "then")
_VERBS = ("sways", "shakes", "is", "glow", "flicker", "strikes", "on", "off", "lands", "home")
_LINKS = ("over", "for", "to", "at", "from", "in", "every", "throughout", "depth", "seed", "deg", "bar")
KEYWORDS = frozenset((*_OPENINGS, *_VERBS, *_LINKS, "sway", "shake", "glows", "flickers", "strike"))

#: Words that are right where a name may stand, and so no misspelling of another word.
_WORDS = KEYWORDS | SPEEDS.keys() | LAWS.keys() | {"gutter", "failing"}

#: What a terminal of the grammar is called in front of a builder.
_LABELS = {
    "NAME": "a name or a word",
    "NUMBER": "a number",
    "STRING": 'a file name in quotes, like "greet.wav"',
    "CLOCK": "a time like 0:02.5",
    "BARBEAT": "a bar and a beat, like 3:1",
    "OFFSET": "a time from the previous cue, like +0.5",
    "S": "s",
    "MS": "ms",
    "PERCENT": "%",
    "COMMA": "a comma",
    "COLON": "a colon",
    "$END": "the end of the line",
}
_TIMES = {"CLOCK", "NUMBER", "BAR", "OFFSET", "THEN"}


@dataclass
class BadLineError(Exception):
    """A line that is not in the language: plain words and where (1-based column).

    ``subject`` and ``verb``: (word, column) of a cue whose names only the figure can judge.
    """

    message: str
    column: int
    width: int = 1
    remedy: str | None = None
    subject: tuple[str, int] | None = None
    verb: tuple[str, int] | None = None


@cache
def _grammar() -> Any:
    from lark import Lark

    text = files("sequencer.timeline").joinpath("scene.lark").read_text(encoding="utf-8")
    return Lark(text, parser="lalr", lexer="contextual", maybe_placeholders=False)


def without_comment(line: str) -> str:
    """``line`` up to a ``#`` that stands outside quotes."""
    quoted = False
    for index, character in enumerate(line):
        if character == '"':
            quoted = not quoted
        elif character == "#" and not quoted:
            return line[:index].rstrip()
    return line.rstrip()


@lru_cache(maxsize=8192)
def parse_line(text: str) -> Tree[Any]:
    """The tree of one line without its comment, to be read only. Raises :class:`BadLineError`.

    Most lines of a file that is read again are the same as before.
    """
    from lark.exceptions import UnexpectedCharacters, UnexpectedInput, UnexpectedToken

    try:
        tree: Tree[Any] = _grammar().parse(text).children[0]
        return tree
    except UnexpectedToken as error:
        ended = error.token.type == "$END"
        column = len(text) + 1 if ended else (error.token.column or 1)
        found = "" if ended else str(error.token)
        raise _explain(text, column, found, set(error.accepts or error.expected)) from None
    except UnexpectedCharacters as error:
        raise _explain(text, error.column, text[error.column - 1], set(error.allowed or ())) from None
    except UnexpectedInput as error:  # pragma: no cover - lark has no further kind here
        raise BadLineError("this line cannot be read", max(1, error.column)) from None


def _explain(text: str, column: int, found: str, expected: set[str]) -> BadLineError:
    """Why ``text`` fails at ``column``, from the most telling cause to the plainest."""
    minutes = re.match(r"\s*(\d+:(\d+)(\.\d+)?)", text)
    if minutes and int(minutes[2][:9]) > 59:
        return BadLineError(
            f"`{minutes[1]}` is no time: seconds run from 0 to 59",
            minutes.start(1) + 1,
            len(minutes[1]),
            "write minutes:seconds, like 1:05.5",
        )
    if minutes and len(minutes[2]) == 1:
        return BadLineError(
            f"`{minutes[1]}` is no time: seconds have two digits",
            minutes.start(1) + 1,
            len(minutes[1]),
            "write minutes:seconds, like 0:05.5",
        )
    if expected and expected <= {"S", "MS", "DEG"}:
        return BadLineError("a unit is missing after the number", column, 1, "write s or ms, like 1.5s")
    if expected == {"PERCENT"}:
        return BadLineError("a unit is missing after the number", column, 1, "write %, like 60%")
    misspelt = _misspelt(text, column)
    if misspelt is not None:
        return misspelt
    before = list(re.finditer(r"\w+", text[: column - 1]))
    if before and before[-1][0] in KEYWORDS and before[-1][0].upper() in expected:
        word = before[-1]
        return BadLineError(
            f"a word is missing before `{word[0]}`", word.start() + 1, len(word[0]), _missing(text)
        )
    width = max(1, len(found))
    telling = _told_by_the_subject(text, column)
    if telling is not None:
        return telling
    if "NAME" in expected and found in KEYWORDS:
        return BadLineError(
            f"`{found}` is a word of the language and cannot stand here as a name",
            column,
            width,
            _expectation(expected),
        )
    if not found:
        return BadLineError("the line ends too early", column, 1, _expectation(expected))
    if text[:column].strip() == found[:1] or not text[: column - 1].strip():
        return BadLineError(
            f"a line cannot start with `{found}`",
            column,
            width,
            "start with a time (0:02.5, 2.5s, +0.5, then) or with scene, loop, length, pace, tempo, "
            "pose, sound, score",
        )
    return BadLineError(f"`{found}` cannot stand here", column, width, _expectation(expected))


def _told_by_the_subject(text: str, column: int) -> BadLineError | None:
    """A cue of a name alone, or of a name and a word that is no verb; the figure knows what it may do."""
    cue = re.match(
        r"\s*(?:then|bar\s+\S+|\+\s*[\d.]+\s*s?|\d+:[\d.]+|[\d.]+\s*m?s)(?:\s+lands)?\s+([^\W\d]\w*)\s*"
        r"(?:([^\W\d]\w*)\s*(\S*))?",
        text,
    )
    if cue is None or cue[1] in KEYWORDS or cue[2] in KEYWORDS:
        return None
    if cue[2] is not None and column > cue.end(2) + 1 and cue[3]:
        return None
    subject = (cue[1], cue.start(1) + 1)
    if cue[2] is None:
        return BadLineError(
            f"this does not say what `{cue[1]}` does", subject[1], len(cue[1]), subject=subject
        )
    verb = (cue[2], cue.start(2) + 1)
    return BadLineError(f"`{cue[2]}` cannot stand here", verb[1], len(cue[2]), subject=subject, verb=verb)


def _misspelt(text: str, column: int) -> BadLineError | None:
    """The last word up to the fault that is nearly, but not quite, a word of the language."""
    bare = re.sub(r'"[^"]*"?', lambda quoted: " " * len(quoted[0]), text)
    for word in reversed(list(re.finditer(r"[^\W\d]\w*", bare))):
        if word.start() + 1 > column or word[0] in _WORDS or len(word[0]) < 3:
            continue
        guess = did_you_mean(word[0], KEYWORDS)
        if guess is not None and _near(word[0].lower(), guess):
            return BadLineError(
                f"`{word[0]}` is not a word of the language",
                word.start() + 1,
                len(word[0]),
                f"did you mean `{guess}`?",
            )
    return None


def _near(word: str, known: str) -> bool:
    """One letter wrong, missing, too many, or two swapped."""
    if abs(len(word) - len(known)) > 1:
        return False
    if len(word) == len(known):
        wrong = [i for i in range(len(word)) if word[i] != known[i]]
        return len(wrong) <= 1 or (
            len(wrong) == 2 and word[wrong[0]] == known[wrong[1]] and word[wrong[1]] == known[wrong[0]]
        )
    longer, shorter = (word, known) if len(word) > len(known) else (known, word)
    return any(longer[:i] + longer[i + 1 :] == shorter for i in range(len(longer)))


def _missing(text: str) -> str:
    if "flicker" in text:
        return "write the kind of flicker: gutter or failing"
    return "see the examples in LANGUAGE.md"


#: Groups of terminals that a builder knows by one phrase, the first that fits.
_PHRASES = (
    (
        {"OVER", "NAME", "$END"},
        "a pace may follow (`over 1.5s`, slow, easy, brisk, snap) or a law, nothing else",
    ),
    ({"OVER", "$END"}, "only `over 1.5s` may follow"),
    ({"EVERY", "$END"}, "only `every 2s` may follow"),
    ({"DEPTH", "SEED"}, "`depth 40%` or `seed 7` may follow, nothing else"),
)


def _expectation(expected: set[str]) -> str:
    if expected >= _TIMES:
        return "a cue starts with a time: 0:02.5, 2.5s, +0.5 or then"
    for terminals, phrase in _PHRASES:
        if terminals <= expected:
            return phrase
    words = sorted({_LABELS.get(name, f"`{name.lower()}`") for name in expected - {"$END", "DEG"}})
    if not words:
        return "nothing more belongs on this line; a comment starts with #"
    ending = ", or nothing more" if "$END" in expected else ""
    return f"here belongs {listed(words)}{ending}"
