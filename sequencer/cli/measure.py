"""``quarterjack measure``: readings with kitchen tools, asked for one by one and written to the figure."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from sequencer.figure.questions import Answer, Question


def command(
    show: Annotated[Path, typer.Argument(help="The show's folder (or its figure.toml).")] = Path(),
    only: Annotated[
        str | None, typer.Option("--only", metavar="NAME", help="Ask about this mass or axis only.")
    ] = None,
) -> None:
    """Ask for each reading with a drawing of how to take it, and write it to figure.toml at once.

    Enter skips a question, `q` ends; what was written stays. Answers can come from a file: one line each.
    """
    from sequencer.cli.say import console
    from sequencer.figure.read import read_figure

    file = show / "figure.toml" if show.is_dir() else show
    read_figure(file)  # a figure with faults is told before anything is asked
    asked = _asked(file, only)
    out = console()
    out.print(
        "You need a kitchen scale, a ruler, thread and a watch; for joints a luggage scale and a phone that "
        "films. A reading may say what it may be off: 1400 +- 5. Enter skips, ? shows the drawing again, "
        "q ends.",
        markup=False,
    )
    written = 0
    last: tuple[str, str] | None = None
    drawn: set[str] = set()
    for question in asked:
        if (question.section, question.name) != last:
            last = question.section, question.name
            out.print()
            out.print(f"[{question.section}.{question.name}]", style="bold", markup=False)
        if question.kind not in drawn:
            drawn.add(question.kind)
            _draw(question)
        done = _ask(file, question)
        if done is None:
            break
        written += done
    out.print()
    out.print(
        f"{written} {'reading' if written == 1 else 'readings'} written to {file}."
        + (f" Next: quarterjack figure {show}" if written else ""),
        markup=False,
    )


def _asked(file: Path, only: str | None) -> list[Question]:
    from sequencer.errors import Fault, UsageError
    from sequencer.figure.explain import nearest
    from sequencer.figure.questions import questions
    from sequencer.figure.read import document_of

    every = list(questions(document_of(file)))
    if only is None:
        return every
    asked = [question for question in every if question.name == only]
    if not asked:
        names = list(dict.fromkeys(question.name for question in every))
        guess = nearest(only, names)
        raise UsageError(
            Fault(
                f"there is no mass or axis `{only}`" + (f"; did you mean `{guess}`?" if guess else ""),
                file=str(file),
                remedy=f"use one of: {', '.join(names)}" if names else "describe a mass or an axis first",
            )
        )
    return asked


def _ask(file: Path, question: Question) -> bool | None:
    """Ask until the answer can be, or is skipped (False); None when the input ends."""
    from sequencer.cli.say import console
    from sequencer.errors import FigureError
    from sequencer.figure.questions import AnswerError, numbers, present
    from sequencer.figure.read import document_of

    out = console()
    now = present(question, document_of(file)[question.section][question.name])
    out.print(question.text + (f" Now: {now}." if now else ""), markup=False)
    must, may = _names(question)
    while True:
        line = _line(f"{must}{f' [{may}]' if may else ''}> ")
        if line is None or line.strip().lower() in ("q", "quit"):
            return None
        if not line.strip() or line.strip().lower() == "skip":
            return False
        if line.strip() == "?":
            _draw(question)
            continue
        try:
            answer = numbers(question, line)
            for sentence in _written(file, question, answer):
                out.print(f"  = {sentence}", markup=False)
            return True
        except AnswerError as error:
            out.print(f"  {error}", markup=False)
        except FigureError as error:
            for fault in error.faults:
                out.print(f"  {fault.message}", markup=False)
                if fault.value and fault.limit:
                    out.print(f"    {fault.value}; possible: {fault.limit}", markup=False)
                if fault.remedy:
                    out.print(f"    do: {fault.remedy}", markup=False)


def _draw(question: Question) -> None:
    from sequencer.cli import drawings
    from sequencer.cli.say import console

    console().print(getattr(drawings, question.kind.upper()).strip("\n"), markup=False)


def _names(question: Question) -> tuple[str, str]:
    cut = len(question.names) - question.optional
    return ", ".join(question.names[:cut]), ", ".join(question.names[cut:])


def _line(prompt: str) -> str | None:
    """One line of input, None at its end."""
    print(prompt, end="", flush=True)
    line = sys.stdin.readline() if sys.stdin is not None else ""
    if sys.stdin is None or not sys.stdin.isatty():
        print(line.rstrip("\n"))
    return line or None


def _written(file: Path, question: Question, answer: Answer) -> Iterator[str]:
    """Write the answer and tell what it says. Raises FigureError, and writes nothing, when it cannot be."""
    from sequencer.figure.questions import values
    from sequencer.figure.read import document_of
    from sequencer.figure.rewrite import write_values

    def wanted(table: dict[str, Any]) -> dict[str, Any]:
        return values(question, answer, table)

    figure = write_values(file, question.section, question.name, wanted)
    return _sentences(figure, question, document_of(file)[question.section][question.name])


def _sentences(figure: Any, question: Question, table: dict[str, Any]) -> Iterator[str]:
    from sequencer.figure import told
    from sequencer.figure.schema import AxisTable
    from sequencer.figure.schema_masses import SwingTable

    if question.section == "axes":
        yield from told.axis_words(figure, AxisTable.model_validate(table), question)
        return
    mass = figure.masses[question.name]
    off = table.get("spread", {})
    if question.kind == "weight":
        yield told.weight_words(1000.0 * mass.mass_kg, off.get("weight_g"))
    elif question.kind == "balance":
        x, y, z = (1000.0 * part for part in mass.centre_m)
        yield f"it balances at {x:g} forward, {y:g} left, {z:g} up, +- {off['balance_mm']:g} mm"
    else:
        swing = SwingTable.model_validate(table["swings"][-1])
        yield told.swing_words(1000.0 * mass.mass_kg, swing, off.get("weight_g"))
