"""``quarterjack check``: plan, compile in memory, play on the core, report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    show: Annotated[Path, typer.Argument(help="The show's folder.")] = Path(),
    scenes: Annotated[list[str] | None, typer.Argument(help="Only these scenes.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Plan, compile in memory, play on the player core, and report what is wrong or doubtful."""
    from sequencer.cli.say import console, progress, say_json
    from sequencer.cli.showing import print_certificate, print_report
    from sequencer.errors import FindingsError
    from sequencer.show import build_planned, check_built, plan_show, refused_json
    from sequencer.show_folder import read_show, with_idle

    whole = read_show(show)
    wanted = with_idle(whole, scenes or ())
    try:
        with progress("check") as bar:
            built = build_planned(plan_show(whole, wanted, bar.tell), bar.tell)
            checked = check_built(built, bar.tell)
    except FindingsError as error:
        if not as_json:
            raise
        say_json(refused_json(whole, error))
        raise typer.Exit(1) from None
    if as_json:
        say_json(checked.report.as_json())
    else:
        print_report(console(), checked.report)
        print_certificate(console(), built.certificate)
    if not checked.report.ok:
        raise typer.Exit(1)
