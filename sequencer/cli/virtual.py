"""``quarterjack virtual``: a virtual board on a port that any program can open."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    tcp: Annotated[
        int | None,
        typer.Option(min=0, max=65535, help="Serve on this TCP port (0: any) instead of a pty."),
    ] = None,
    state: Annotated[
        Path | None,
        typer.Option(help="Where its flash is kept (default: with --port virtual)."),
    ] = None,
    blank: Annotated[bool, typer.Option("--blank", help="Start with blank flash, and keep nothing.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the port as one JSON object.")] = False,
) -> None:
    """Serve a virtual Uno, in real time, until Ctrl-C. Opening its port resets it, as on a real board.

    To every program it is a real board: `flash` and `trigger` want each servo's ends_us recorded.
    Their own --port virtual needs neither this command nor recorded ends.
    """
    import contextlib
    import os
    import signal
    import sys

    from sequencer.board.serve import Doorway, PtyDoorway, TcpDoorway, serve
    from sequencer.board.virtual_uno import make_board
    from sequencer.cli.say import console, say_json
    from sequencer.errors import UsageError

    if blank and state is not None:
        raise UsageError("--blank keeps nothing, so it does not go together with --state")
    if tcp is None and os.name == "nt":
        tcp = 0
    board, save = make_board(state, blank=blank, any_baud=True)
    door: Doorway = PtyDoorway() if tcp is None else TcpDoorway(tcp)
    if as_json:
        say_json({"schema": 1, "port": door.name, "board": "uno"})
    else:
        console().print(greeting(door.name), markup=False)
    sys.stdout.flush()
    # Being ended by another program keeps the flash too.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with contextlib.suppress(KeyboardInterrupt):
        serve(board, door, save=save)


def greeting(name: str) -> str:
    """What to do with the board that is served at ``name``, as lines."""
    return "\n".join(
        [
            f"a virtual Uno is at {name}   (Ctrl-C ends it)",
            f"    quarterjack flash SHOW --port {name}",
            f"    quarterjack trigger SCENE SHOW --port {name}",
            f"    quarterjack bench --port {name} --pin D9",
            "It counts as a real board: flash and trigger want ends_us of every servo in figure.toml.",
        ]
    )
