"""What can be asked about a figure with kitchen tools: each question, its numbers, and what they become.

A question turns a line of numbers into values of one table of the file; whether they can be true is
judged by reading the file with them (:mod:`.impossible`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

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


def numbers(question: Question, line: str) -> tuple[float | None, ...]:
    """The numbers of a line; None for a dash in a balance. Raises :class:`AnswerError` for anything else."""
    words = line.replace(";", " ").split()
    least = len(question.names) - question.optional
    if not least <= len(words) <= len(question.names) or (
        question.kind == "wobble" and len(words) == least + 1
    ):
        wanted = str(least) if not question.optional else f"{least} or {len(question.names)}"
        are = "number is" if wanted == "1" else "numbers are"
        raise AnswerError(f"{wanted} {are} wanted: {', '.join(question.names)}")
    found: list[float | None] = []
    for name, word in zip(question.names, words, strict=False):
        if question.kind == "balance" and word in ("-", "–"):
            found.append(None)
            continue
        try:
            number = float(word.replace(",", "."))
        except ValueError:
            raise AnswerError(f"`{word[:40]}` is no number ({name})") from None
        if math.isnan(number):
            raise AnswerError(f"`{word[:40]}` is no number ({name})")
        if not abs(number) < 1e9:
            raise AnswerError(f"`{word[:40]}` is too big ({name})")
        found.append(number)
    if all(number is None for number in found):
        raise AnswerError("no line was tried: press Enter to skip")
    return tuple(found)


def values(question: Question, answer: tuple[float | None, ...], table: Mapping[str, Any]) -> dict[str, Any]:
    """The keys that ``answer`` sets in ``table``, the question's table as it stands; None removes one."""
    pairs = zip(question.names, answer, strict=False)
    told = {name: _plain(number) for name, number in pairs if number is not None}
    if question.kind == "weight":
        return told
    if question.kind == "balance":
        return {"balance_mm": _balance(table.get("balance_mm", {}), told)}
    if question.kind == "pulls":
        first, second, arm = (_plain(number or 0.0) for number in answer)
        pulled: dict[str, Any] = {"pulls": {"pull_g": [first, second], "pull_at_mm": arm}}
        # Two answers to one question would be a fault; the measured one stays.
        return pulled | ({"friction_kgcm": None} if "friction_kgcm" in table else {})
    if question.kind == "wobble":
        film: dict[str, Any] = {key: told[key] for key in ("frames", "fps", "swings")}
        if "first mm" in told:
            film["amplitudes_mm"] = [told["first mm"], told["last mm"]]
        return {"wobble": film}
    kept = [swing for swing in table.get("swings", []) if not _same(question, swing)]
    swung: dict[str, Any] = {"swings": [*kept, {"about": question.about, **told}]}
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
        return None if given is None else f"{given:g}"
    if question.kind == "balance":
        told = table.get("balance_mm")
        return None if not told else " ".join(f"{side} {mm:g}" for side, mm in told.items())
    if question.kind == "pulls":
        pulls = table.get("pulls")
        if pulls is None:
            return None
        return " ".join(f"{part:g}" for part in (*pulls["pull_g"], pulls["pull_at_mm"]))
    if question.kind == "wobble":
        film = table.get("wobble")
        if film is None:
            return None
        parts = (film["frames"], film["swings"], film["fps"], *film.get("amplitudes_mm", ()))
        return " ".join(f"{part:g}" for part in parts)
    for swing in table.get("swings", []):
        if _same(question, swing):
            return " ".join(f"{swing[name]:g}" for name in question.names if name in swing)
    return None
