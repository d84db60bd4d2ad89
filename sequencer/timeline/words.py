"""The words of the scene language that are not grammar: speeds, and guesses at misspelt words."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

#: Share of the pace that the axis can make; a move at 0.4 takes 1/0.4 of its shortest time.
SPEEDS: dict[str, float] = {"snap": 1.0, "brisk": 0.7, "easy": 0.4, "slow": 0.2}
DEFAULT_SPEED = "easy"
#: What a `pace` line in the head of a scene may say.
PACES = ("quiet", "full")


def did_you_mean(word: str, known: Iterable[str]) -> str | None:
    """The known word most like ``word``, or None when none is close."""
    table = {item.lower(): item for item in known}
    close = difflib.get_close_matches(word.lower(), list(table), n=1, cutoff=0.6)
    return table[close[0]] if close else None


def listed(words: Iterable[str], last: str = "or") -> str:
    """``a, b or c``; ``nothing`` when there are none."""
    items = list(words)
    if len(items) < 2:
        return items[0] if items else "nothing"
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def remedy_for(word: str, known: Iterable[str]) -> str:
    """What to write instead of an unknown word."""
    names = list(known)
    guess = did_you_mean(word, names)
    if guess is not None and guess != word:
        return f"did you mean `{guess}`? Known: {listed(names)}"
    return f"known: {listed(names)}"
