"""``quarterjack figure``: the figure sheet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer


def command(
    show: Annotated[Path, typer.Argument(help="The show's folder (or its figure.toml).")] = Path(),
    detail: Annotated[
        bool, typer.Option("--detail", help="Add limits with their reasons, wiring and masses.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Say what the figure can carry, how fast, on which supply, and what to change first."""
    report(show, detail, as_json, _of_the_scenes(show) if detail and not as_json else ())


def _of_the_scenes(show: Path) -> tuple[str, ...]:
    """What the compiled scenes add to the sheet: how long a visitor may wait for a cue."""
    from sequencer.errors import QuarterjackError
    from sequencer.show import build_show

    if not any(show.glob("*.scene")):
        return ()
    try:
        built = build_show(show)
    except QuarterjackError:
        return ("The scenes beside it do not compile yet; `quarterjack check` says why.",)
    if not built.table.rows:
        return ()
    loop, scene, frames = built.table.longest
    seconds = frames * built.contents.frame_us * 1e-6
    return (
        f"The longest transition, from {loop} to {scene}, takes {seconds:.2f} s, after up to 0.12 s of wait.",
    )


def report(show: Path, detail: bool, as_json: bool, extra_sentences: Sequence[str] = ()) -> None:
    """Print the sheet; ``extra_sentences`` join those about speed. Exits 1 when a finding is an error."""
    from sequencer.cli.say import console, say_json
    from sequencer.figure import report as json_report
    from sequencer.figure.facts import facts
    from sequencer.figure.read import read_figure
    from sequencer.figure.sheet import sheet
    from sequencer.finding import has_errors
    from sequencer.timeline.fastest import fastest_s

    known = facts(read_figure(show))
    if as_json:
        say_json(json_report.as_json(known))
    else:
        out = console()
        for number, section in enumerate(sheet(known, fastest_s, detail, extra_sentences)):
            if number and not section.lines:
                continue
            if number:
                out.print()
            out.print(section.title, style="bold", markup=False)
            for line in section.lines:
                out.print(f"  {line}", markup=False)
    if has_errors(known.findings):
        raise typer.Exit(1)
