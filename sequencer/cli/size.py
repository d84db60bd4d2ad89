"""``quarterjack size``: which servo a head wants, before anything is bought."""

from __future__ import annotations

import math
import sys
from typing import Annotated

import typer


def command(
    weight_g: Annotated[float | None, typer.Option("--weight-g", help="What the head weighs, grams.")] = None,
    width_mm: Annotated[float | None, typer.Option("--width-mm", help="How wide it is, mm.")] = None,
    balance_mm: Annotated[
        float | None,
        typer.Option("--balance-mm", help="From the neck's pivot to where the head balances, mm."),
    ] = None,
    move_deg: Annotated[float | None, typer.Option("--move-deg", help="Its quickest move, degrees.")] = None,
    move_s: Annotated[float | None, typer.Option("--move-s", help="The time for that move, seconds.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Say which torque, class of servo and counterweight a head wants; what is not given is asked for."""
    from sequencer.cli.say import console, say_json
    from sequencer.figure import sizing, sizing_words
    from sequencer.timeline.fastest import fastest_s

    asked = sizing.Asked(
        mass_kg=_number("weight-g", "What does the head weigh, in grams?", weight_g, (10, 50000)) / 1000.0,
        width_m=_number("width-mm", "How wide is it, in mm?", width_mm, (10, 2000)) / 1000.0,
        balance_m=_number(
            "balance-mm", "How far from the neck's pivot does it balance, in mm?", balance_mm, (0, 1000)
        )
        / 1000.0,
        move_rad=math.radians(
            _number("move-deg", "Its quickest move: how many degrees?", move_deg, (1, 180))
        ),
        move_s=_number("move-s", "... in how many seconds?", move_s, (0.05, 60)),
    )
    sized = sizing.size(asked, fastest_s)
    if as_json:
        say_json(sizing_words.as_json(sized))
        return
    for sentence in sizing_words.sentences(sized):
        console().print(sentence, markup=False)


def _number(option: str, question: str, given: float | None, limits: tuple[float, float]) -> float:
    """The option's number, or the answer to the question; asked again until it can be."""
    from sequencer.errors import Fault, UsageError

    low, high = limits
    if given is not None:
        if low <= given <= high:
            return given
        raise UsageError(
            Fault(
                f"--{option} cannot be {given:g}",
                value=f"{given:g}",
                limit=f"{low:g} to {high:g}",
                remedy="check the number and its unit",
            )
        )
    while True:
        # Questions go to stderr, so that --json leaves one object on stdout.
        print(question, end=" ", file=sys.stderr, flush=True)
        line = sys.stdin.readline() if sys.stdin is not None else ""
        if not line:
            print(file=sys.stderr)
            raise UsageError(Fault(f"--{option} is missing", remedy=f"give --{option} NUMBER or answer"))
        try:
            answer = float(line.strip().replace(",", "."))
        except ValueError:
            answer = math.nan
        if low <= answer <= high:
            return answer
        print(f"  a number from {low:g} to {high:g}, please", file=sys.stderr)
