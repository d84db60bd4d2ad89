"""``quarterjack bench``: one servo or lamp by keys, before there is any figure file."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from sequencer.board.connect import PORT_HELP, STATE_HELP
from sequencer.cli.bench_board import BarePlayer


def command(
    port: Annotated[str, typer.Option(help=PORT_HELP)] = "auto",
    pin: Annotated[str, typer.Option(help="The pin as printed on the board: 9, D9 or A0.")] = "D9",
    kind: Annotated[str, typer.Option(help="servo or lamp.")] = "servo",
    board: Annotated[str, typer.Option(help="The kind of board: uno, nano or mega.")] = "uno",
    yes: BarePlayer = False,
    state: Annotated[Path | None, typer.Option(help=STATE_HELP)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object at the end.")] = False,
) -> None:
    """Move one servo or lamp by keys; horns off first. No figure file is needed.

    A show stays on the board, but the figure goes limp until the next reset:
    its head may fall. A board with anything else gets the bare player, after
    asking (--yes: unasked).

    Without a terminal the keys are read as words from standard input: c, right, up, l, h, m, q.
    """
    from sequencer.board.bench import HELP, Jog, Kind, pin_number
    from sequencer.board.connect import open_port
    from sequencer.cli.bench_board import on_bench
    from sequencer.cli.keys import keys
    from sequencer.cli.say import console, say_json
    from sequencer.errors import QuarterjackError, UsageError
    from sequencer.figure.pins import KINDS

    if kind not in ("servo", "lamp"):
        raise UsageError(f"--kind must be servo or lamp, not `{kind}`")
    exact: Kind = "servo" if kind == "servo" else "lamp"
    if board not in KINDS:
        raise UsageError(f"--board must be one of {', '.join(KINDS)}, not `{board}`")
    number = pin_number(pin, board)
    check_pin(exact, number, board)

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    transport = open_port(port, speed=None, state=state, kind=board)
    try:
        jog = Jog(on_bench(transport, board, yes, tell), exact, number, board=board)
        tell(f"{exact} on {jog.name} of {transport.name}")
        if exact == "servo":
            tell("Horn off; servos on their own supply, grounds joined.")
        tell(HELP[exact])
        ended = False
        try:
            tell(jog.start())
            with keys() as pressed, suppress(KeyboardInterrupt):
                while True:
                    key = pressed.read(0.2)
                    ended = key == "end"
                    line = "" if key is None else None if ended else jog.press(key)
                    if line is None:
                        break
                    if line:
                        tell(line)
                    # Lets a simulated board's time pass, and hears a reset.
                    jog.link.reports(0.05)
                    gone = jog.keep_alive()
                    if gone:
                        tell(gone)
        except BaseException:
            with suppress(QuarterjackError):  # what ended it is told; the board stops by itself as well
                jog.stop()
            raise
        jog.stop()
        tell(("end of input; " if ended else "") + f"stopped: {jog.line()}")
    finally:
        transport.close()
    lines = jog.figure_lines()
    problems = jog.problems()
    if as_json:
        say_json(
            {
                "schema": 1,
                "pin": number,
                "pin_name": jog.name,
                "kind": exact,
                "value": jog.value,
                "unit": "us" if exact == "servo" else "half per cent of lightness",
                "centre_us": jog.centre_us,
                "ends_us": jog.ends_us,
                "problems": problems,
                "figure_lines": lines,
            }
        )
        return
    for problem in problems:
        tell(problem)
    if lines:
        tell("\nfor figure.toml:\n" + lines)


def check_pin(kind: str, pin: int, board_kind: str = "uno") -> None:
    """Refuse a pin that this board cannot use so, before anything is uploaded.

    Raises:
        UsageError: lists the pins that can.

    """
    from sequencer.errors import Fault, UsageError
    from sequencer.figure.pins import pin_name, pin_names
    from sequencer.firmware.boards import board_description

    board = board_description(board_kind)
    pins = board.servo_pins if kind == "servo" else board.lamp_pins
    if pin not in pins:
        raise UsageError(
            Fault(
                f"pin {pin_name(pin, board_kind)} of the {board.title} cannot serve a {kind}",
                remedy=f"choose one of these with --pin: {pin_names(pins, board_kind)}",
            )
        )
