"""What can be asked about a figure with kitchen tools: each question, its numbers, and what they become.

A question turns a line of numbers into values of one table of the file; whether they can be true is
judged by reading the file with them (:mod:`.impossible`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sequencer.figure.impossible import most_off
from sequencer.figure.readings import usual_off

#: Which drawing shows how; also the kind of reading.
Kind = Literal["weight", "balance", "swing", "threads", "pulls", "wobble"]


@dataclass(frozen=True)
class Question:
    """One question about ``[section.name]``.

    ``names`` are the numbers of an answer, in order; the last ``optional`` of them may be left out.
    ``about`` is the line of a swing.
    """

    section: Literal["masses", "axes"]
    name: str
    kind: Kind
    text: str
    names: tuple[str, ...]
    optional: int = 0
    about: str | None = None


@dataclass(frozen=True)
class Number:
    """A number of an answer and, when the builder told it, what it may be off, in the same unit."""

    value: float
    off: float | None = None


#: The numbers of a line; None for a dash in a balance.
Answer = tuple[Number | None, ...]
_OFF = re.compile(r"\s*(?:\+/?-|±)\s*")
#: These are counted or printed on the camera.
_EXACT = ("swings", "fps")


class AnswerError(ValueError):
    """A line that is no answer; says what would be."""


def questions(document: Mapping[str, Any]) -> Iterator[Question]:
    """Every question that the figure of ``document`` leaves, masses first, in the file's order."""
    for name in document.get("masses", {}):
        yield Question("masses", name, "weight", f"What does `{name}` weigh?", ("weight_g",))
        yield Question(
            *("masses", name, "balance"),
            f"Where does `{name}` balance, in mm from the figure's origin? A - for a line not tried.",
            ("forward", "left", "up"),
        )
        for about in ("left", "forward"):
            yield Question(
                *("masses", name, "swing"),
                f"`{name}` hung from a line that points {_pointing(about)}:",
                ("hung_from_mm", "ten_swings_s", "swing_deg"),
                optional=1,
                about=about,
            )
        yield Question(
            *("masses", name, "threads"),
            f"`{name}` upright on two threads:",
            ("threads_apart_mm", "thread_mm", "ten_swings_s", "swing_deg"),
            optional=1,
            about="up",
        )
    for name, axis in document.get("axes", {}).items():
        first, second = axis["words"]
        yield Question(
            *("axes", name, "pulls"),
            f"What moves `{name}` toward {first}, what toward {second}, and how far out was that pulled?",
            (f"{first} g", f"{second} g", "pull_at_mm"),
        )
        yield Question(
            *("axes", name, "wobble"),
            f"A tap on what `{name}` moves, filmed:",
            ("frames", "swings", "fps", "first mm", "last mm"),
            optional=2,
        )


def _pointing(about: str) -> str:
    return {"left": "to the left (it nods)", "forward": "forward (it tilts)"}[about]


def numbers(question: Question, line: str) -> Answer:
    """The numbers of a line, ``1400`` or ``1400 +- 5``. Raises :class:`AnswerError` for anything else."""
    words = _OFF.sub("±", line.replace(";", " ")).split()
    least = len(question.names) - question.optional
    if not least <= len(words) <= len(question.names) or (
        question.kind == "wobble" and len(words) == least + 1
    ):
        wanted = str(least) if not question.optional else f"{least} or {len(question.names)}"
        are = "number is" if wanted == "1" else "numbers are"
        raise AnswerError(f"{wanted} {are} wanted: {', '.join(question.names)}")
    found: list[Number | None] = []
    for name, word in zip(question.names, words, strict=False):
        if question.kind == "balance" and word in ("-", "–"):
            found.append(None)
            continue
        read, mark, off = word.partition("±")
        number = _number(name, read)
        found.append(Number(number, _told_off(name, number, off) if mark else None))
    if all(number is None for number in found):
        raise AnswerError("no line was tried: press Enter to skip")
    return tuple(found)


def _number(name: str, word: str) -> float:
    try:
        number = float(word.replace(",", "."))
    except ValueError:
        raise AnswerError(f"`{word[:40]}` is no number ({name})") from None
    if math.isnan(number):
        raise AnswerError(f"`{word[:40]}` is no number ({name})")
    if not abs(number) < 1e9:
        raise AnswerError(f"`{word[:40]}` is too big ({name})")
    return number


def _told_off(name: str, value: float, word: str) -> float:
    off = _number(f"what {name} may be off", word)
    if name in _EXACT:
        raise AnswerError(f"`{name}` has no +-: write its number alone")
    if off <= 0.0:
        raise AnswerError(f"{name} may be off by more than 0, not by {off:g}")
    most = most_off(_key(name), value)
    if most is not None and value > 0.0 and off > most:
        raise AnswerError(
            f"{name} = {value:g} that may be {off:g} off says nothing: write at most +- {most:g}"
        )
    return off


def _key(name: str) -> str:
    """The file's key for a number of an answer."""
    if name in ("forward", "left", "up"):
        return "balance_mm"
    if name in ("first mm", "last mm"):
        return "amplitudes_mm"
    return "pull_g" if name.endswith(" g") else name


def _spread(question: Question, answer: Answer) -> dict[str, float]:
    """Key -> what it may be off: as told, or the tool's; of several numbers under one key the least sure."""
    spread: dict[str, float] = {}
    for name, number in zip(question.names, answer, strict=False):
        if number is None or name in _EXACT:
            continue
        key = _key(name)
        off = usual_off(key, number.value) if number.off is None else number.off
        if off > 0.0:
            spread[key] = max(off, spread.get(key, 0.0))
    return {key: _plain(off) for key, off in spread.items()}


def values(question: Question, answer: Answer, table: Mapping[str, Any]) -> dict[str, Any]:
    """The keys that ``answer`` sets in ``table``, the question's table as it stands; None removes one."""
    pairs = zip(question.names, answer, strict=False)
    told = {name: _plain(number.value) for name, number in pairs if number is not None}
    spread = _spread(question, answer)
    before = table.get("spread", {})
    if question.kind == "weight":
        return {**told, "spread": {**before, **spread}}
    if question.kind == "balance":
        balance = _balance(table.get("balance_mm", {}), told)
        if len(balance) > len(told):  # lines of an earlier answer stay, as unsure as they were
            spread["balance_mm"] = max(spread["balance_mm"], before.get("balance_mm", 0.0))
        return {"balance_mm": balance, "spread": {**before, **spread}}
    if question.kind == "pulls":
        first, second, arm = told.values()
        pulled: dict[str, Any] = {
            "pulls": {"pull_g": [first, second], "pull_at_mm": arm, "spread": spread},
        }
        # Two answers to one question would be a fault; the measured one stays.
        return pulled | ({"friction_kgcm": None} if "friction_kgcm" in table else {})
    if question.kind == "wobble":
        film: dict[str, Any] = {key: told[key] for key in ("frames", "fps", "swings")}
        if "first mm" in told:
            film["amplitudes_mm"] = [told["first mm"], told["last mm"]]
        return {"wobble": {**film, "spread": spread}}
    kept = [swing for swing in table.get("swings", []) if not _same(question, swing)]
    swung: dict[str, Any] = {"swings": [*kept, {"about": question.about, **told, "spread": spread}]}
    if "basis" in table:
        swung["basis"] = "measured"
    return swung


def _balance(before: Mapping[str, Any], told: Mapping[str, Any]) -> dict[str, Any]:
    """The new lines with the old ones that were not tried again; a line has one word only."""
    opposite = {"forward": "back", "left": "right", "up": "down"}
    replaced = {*told, *(opposite[side] for side in told)}
    return {**{side: mm for side, mm in before.items() if side not in replaced}, **told}


def _same(question: Question, swing: Mapping[str, Any]) -> bool:
    """Whether ``swing`` is an earlier answer to this question."""
    lines = {"down": "up", "right": "left", "back": "forward"}
    about = str(swing.get("about"))
    threads = "threads_apart_mm" in swing
    return lines.get(about, about) == question.about and threads == (question.kind == "threads")


def _plain(number: float) -> float | int:
    return int(number) if number.is_integer() else number  # int(-0.0) is 0


def present(question: Question, table: Mapping[str, Any]) -> str | None:
    """What the file says now, as the answer would be typed; None when it says nothing."""
    if question.kind == "weight":
        given = table.get("weight_g")
        return None if given is None else _with_off(given, table, "weight_g")
    if question.kind == "balance":
        told = table.get("balance_mm")
        return None if not told else " ".join(f"{side} {mm:g}" for side, mm in told.items())
    if question.kind == "pulls":
        pulls = table.get("pulls")
        if pulls is None:
            return None
        both = [_with_off(pull, pulls, "pull_g") for pull in pulls["pull_g"]]
        return " ".join((*both, _with_off(pulls["pull_at_mm"], pulls, "pull_at_mm")))
    if question.kind == "wobble":
        film = table.get("wobble")
        if film is None:
            return None
        counted = [_with_off(film[key], film, key) for key in ("frames", "swings", "fps")]
        return " ".join(
            (*counted, *(_with_off(mm, film, "amplitudes_mm") for mm in film.get("amplitudes_mm", ())))
        )
    for swing in table.get("swings", []):
        if _same(question, swing):
            return " ".join(_with_off(swing[name], swing, name) for name in question.names if name in swing)
    return None


def _with_off(value: float, table: Mapping[str, Any], key: str) -> str:
    off = table.get("spread", {}).get(key)
    return f"{value:g}" if off is None else f"{value:g} +- {off:g}"
