"""``quarterjack figure``: the figure sheet, as text, as a page to print, or of two builds side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sequencer.figure.facts import Facts
    from sequencer.figure.model import Figure


def command(
    show: Annotated[Path, typer.Argument(help="The show's folder (or its figure.toml).")] = Path(),
    detail: Annotated[
        bool, typer.Option("--detail", help="Add limits with their reasons, wiring, masses, transitions.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
    html: Annotated[Path | None, typer.Option("--html", help="Write the sheet as a page to print.")] = None,
    changes: Annotated[
        list[str] | None,
        typer.Option(
            "--with",
            metavar="KEY=VALUE",
            help="Compare with this change: servos.jaw=CLASS or masses.skull.weight_g=900; repeatable.",
        ),
    ] = None,
) -> None:
    """Say what the figure can carry, how fast, on which supply, and what to change first."""
    from sequencer.figure.facts import facts
    from sequencer.figure.read import read_figure
    from sequencer.finding import has_errors

    figure = read_figure(show)
    if changes:
        known = _compare(show, figure, changes, as_json)
    else:
        known = facts(figure)
        _print(known, detail, as_json, () if as_json else _of_the_scenes(show, detail))
    if html is not None:
        from sequencer.cli.say import console
        from sequencer.timeline.fastest import fastest_s
        from sequencer.view.sheet_page import sheet_page

        sheet_page(known, fastest_s, html)
        if not as_json:
            console().print(f"\nwrote {html}", markup=False)
    if has_errors(known.findings):
        raise typer.Exit(1)


def _of_the_scenes(show: Path, compiled: bool) -> tuple[str, ...]:
    """What the scenes add to the sheet: how long a visitor may wait for a cue, and a person for a stop.

    Only compiled scenes tell, which takes seconds; page one names the command instead.
    """
    if not any(show.glob("*.scene")):
        return ()
    if not compiled:
        return (
            "How long a visitor may wait for a cue depends on the scenes: "
            f"`quarterjack figure {show} --detail` compiles them and tells the longest transition.",
        )
    from sequencer.errors import QuarterjackError
    from sequencer.show import build_show
    from sequencer.tables.standstill import sentence, standstill

    try:
        built = build_show(show)
    except QuarterjackError:
        return ("The scenes beside it do not compile yet; `quarterjack check` says why.",)
    stopping = sentence(standstill(built.contents))
    if not built.table.rows:
        return (stopping,)
    loop, scene, frames = built.table.longest
    seconds = frames * built.contents.frame_us * 1e-6
    return (
        f"The longest transition, from {loop} to {scene}, takes {seconds:.2f} s, after up to 0.12 s of wait.",
        stopping,
    )


def _print(known: Facts, detail: bool, as_json: bool, extra_sentences: Sequence[str]) -> None:
    """Print the sheet; ``extra_sentences`` join those about speed."""
    from sequencer.cli.say import console, say_json
    from sequencer.figure import report
    from sequencer.figure.sheet import sheet
    from sequencer.timeline.fastest import fastest_s

    if as_json:
        say_json(report.as_json(known))
        return
    out = console()
    for number, section in enumerate(sheet(known, fastest_s, detail, extra_sentences)):
        if number and not section.lines:
            continue
        if number:
            out.print()
        out.print(section.title, style="bold", markup=False)
        for line in section.lines:
            out.print(f"  {line}", markup=False)


def _compare(show: Path, figure: Figure, changes: Sequence[str], as_json: bool) -> Facts:
    """Print the figure as it is beside the changed one; returns what is known of the changed one."""
    from rich import box
    from rich.table import Table

    from sequencer.cli.say import console, say_json
    from sequencer.cli.showing import print_findings
    from sequencer.figure import report
    from sequencer.figure.compare import compared, rows
    from sequencer.timeline.fastest import fastest_s

    before, after = compared(show, figure, changes)
    if as_json:
        sides = {"before": report.as_json(before), "after": report.as_json(after)}
        say_json({"schema": 1, "changes": list(changes), **sides})
        return after
    table = Table(title=f"{figure.name}, what if {', '.join(changes)}", box=box.SIMPLE_HEAD, pad_edge=False)
    table.title_justify, table.title_style = "left", "bold"
    for heading in ("", "", "as it is", "changed", ""):
        table.add_column(heading, justify="right" if heading else "left", no_wrap=True)
    said = {True: "better", False: "worse", None: ""}
    about = None
    for row in rows(before, after, fastest_s):
        table.add_row(
            "" if row.about == about else row.about, row.what, row.before, row.after, said[row.better]
        )
        about = row.about
    out = console()
    out.print(table)
    fresh = [finding for finding in after.findings if finding not in before.findings]
    gone = [finding for finding in before.findings if finding not in after.findings]
    if fresh:
        out.print("New with the change:", style="bold")
        print_findings(out, fresh)
    if gone:
        out.print("No longer true:", style="bold")
        print_findings(out, gone)
    return after
