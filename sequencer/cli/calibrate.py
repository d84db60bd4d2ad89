"""``quarterjack calibrate``: centre and ends of each servo, found on the board and written to the figure."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sequencer.board.connect import PORT_HELP, STATE_HELP
from sequencer.cli.bench_board import BarePlayer


def command(
    show: Annotated[Path, typer.Argument(help="The show's folder (or its figure.toml).")] = Path(),
    only: Annotated[
        str | None, typer.Option("--only", metavar="NAME", help="This servo only, after a swap.")
    ] = None,
    clock: Annotated[
        bool, typer.Option("--clock", help="Measure the board's clock against this computer's instead.")
    ] = False,
    expander: Annotated[
        str | None,
        typer.Option(
            "--expander", metavar="NAME", help="Measure this expander's oscillator by a wire instead."
        ),
    ] = None,
    wire: Annotated[
        str | None,
        typer.Option(
            "--wire", metavar="OUTPUT:PIN", help="From that output of the expander to that pin; free ones."
        ),
    ] = None,
    seconds: Annotated[
        float, typer.Option(min=1, max=1200, help="For how long to measure clock or oscillator.")
    ] = 60.0,
    port: Annotated[str, typer.Option(help=PORT_HELP)] = "auto",
    yes: BarePlayer = False,
    state: Annotated[Path | None, typer.Option(help=STATE_HELP)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object at the end.")] = False,
) -> None:
    """Find each servo's centre and ends by keys, in slow small steps; write figure.toml.

    One servo at a time has pulses, all others go limp: support a head that
    would fall. Keep clear of pinch points, with a hand on the switch of the
    servos' supply: a software stop is not a safety stop.

    The file keeps its comments. New values work after the next `flash`: nothing
    on the board shifts a motion that was proven for the old ones. After a swap:
    calibrate --only NAME, then flash.

    Without a terminal the keys are read as words from standard input; `wait`
    lets half a second pass.
    """
    from sequencer.cli.calibrate_clock import calibrate_clock
    from sequencer.cli.calibrate_servos import calibrate_servos
    from sequencer.errors import UsageError

    if clock + (only is not None) + (expander is not None) > 1:
        raise UsageError("--only, --clock and --expander are three things: one at a time")
    if expander is not None:
        from sequencer.cli.calibrate_expander import calibrate_expander

        calibrate_expander(show, expander, wire, seconds, port, yes, state, as_json)
        return
    if clock:
        calibrate_clock(show, seconds, port, state, as_json)
        return

    calibrate_servos(show, only, port, yes, state, as_json)
