"""``quarterjack virtual``: a virtual board on a port that any program can open."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    board: Annotated[str, typer.Option(help="The kind of board: uno, nano or mega.")] = "uno",
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
    """Serve a virtual board, in real time, until Ctrl-C. Opening its port resets it, as on a real board.

    To every program it is a real board: `flash` and `trigger` want each servo's ends_us recorded.
    Their own --port virtual needs neither this command nor recorded ends.
    Player, boot loader, link and memories are simulated, an I2C memory among them; expanders all answer.
    Not simulated: pins, the I2C bus and what hangs on either (for those: --port emulated).
    """
    import contextlib
    import os
    import signal
    import sys

    from sequencer.board.serve import Doorway, PtyDoorway, TcpDoorway, serve
    from sequencer.board.virtual_boards import make_board
    from sequencer.cli.say import console, say_json
    from sequencer.errors import UsageError
    from sequencer.figure.pins import KINDS

    if board not in KINDS:
        raise UsageError(f"--board must be one of {', '.join(KINDS)}, not `{board}`")
    if blank and state is not None:
        raise UsageError("--blank keeps nothing, so it does not go together with --state")
    if tcp is None and os.name == "nt":
        tcp = 0
    served, save = make_board(state, kind=board, blank=blank, any_baud=True)
    door: Doorway = PtyDoorway() if tcp is None else TcpDoorway(tcp)
    if as_json:
        say_json({"schema": 1, "port": door.name, "board": board})
    else:
        console().print(greeting(door.name, board), markup=False)
    sys.stdout.flush()
    # Being ended by another program keeps the flash too.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with contextlib.suppress(KeyboardInterrupt):
        serve(served, door, save=save)


def greeting(name: str, kind: str = "uno") -> str:
    """What to do with the board that is served at ``name``, as lines."""
    other = "" if kind == "uno" else f" --board {kind}"
    return "\n".join(
        [
            f"a virtual {kind.capitalize()} is at {name}   (Ctrl-C ends it)",
            f"    quarterjack flash SHOW --port {name}",
            f"    quarterjack trigger SCENE SHOW --port {name}",
            f"    quarterjack bench --port {name} --pin D9{other}",
            "It counts as a real board: flash and trigger want ends_us of every servo in figure.toml.",
        ]
    )
