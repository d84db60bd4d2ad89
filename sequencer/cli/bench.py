"""``quarterjack bench``: one servo or lamp by keys, before there is any figure file."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sequencer.board.connect import PORT_HELP, STATE_HELP

if TYPE_CHECKING:
    from sequencer.board.transport import Transport


def command(
    port: Annotated[str, typer.Option(help=PORT_HELP)] = "auto",
    pin: Annotated[str, typer.Option(help="The pin as printed on the board: 9, D9 or A0.")] = "D9",
    kind: Annotated[str, typer.Option(help="servo or lamp.")] = "servo",
    yes: Annotated[
        bool,
        typer.Option(
            "--yes",
            help="Do not ask before putting the bare player on the board. This removes the show that is on "
            "it; `quarterjack flash` puts it back.",
        ),
    ] = False,
    state: Annotated[Path | None, typer.Option(help=STATE_HELP)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object at the end.")] = False,
) -> None:
    """Move one servo or lamp by keys; horns off first. No figure file is needed.

    The bench needs the bare player: a show on the board is removed, after asking (--yes: unasked).

    Without a terminal the keys are read as words from standard input: c, right, up, l, h, m, q.
    """
    from sequencer.board.bench import HELP, Jog, Kind, pin_number
    from sequencer.board.connect import open_port
    from sequencer.board.link import Link
    from sequencer.cli.keys import keys
    from sequencer.cli.say import console, say_json
    from sequencer.errors import QuarterjackError, UsageError

    if kind not in ("servo", "lamp"):
        raise UsageError(f"--kind must be servo or lamp, not `{kind}`")
    exact: Kind = "servo" if kind == "servo" else "lamp"
    number = pin_number(pin)
    check_pin(exact, number)

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    transport = open_port(port, speed=None, state=state)
    try:
        prepare(transport, yes, tell)
        jog = Jog(Link(transport), exact, number)
        jog.link.hello()
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


def check_pin(kind: str, pin: int) -> None:
    """Refuse a pin that this board cannot use so, before anything is uploaded.

    Raises:
        UsageError: lists the pins that can.

    """
    from sequencer.errors import Fault, UsageError
    from sequencer.figure.pins import pin_name
    from sequencer.firmware.boards import board_description

    board = board_description("uno")
    pins = board.servo_pins if kind == "servo" else board.lamp_pins
    if pin not in pins:
        raise UsageError(
            Fault(
                f"pin {pin_name(pin)} of the {board.title} cannot serve a {kind}",
                remedy=f"choose one of these with --pin: {', '.join(pin_name(each) for each in pins)}",
            )
        )


def prepare(transport: Transport, yes: bool, tell: Callable[[str], None]) -> None:
    """Make sure the board carries the player alone; asks before it takes anything away.

    Raises:
        UsageError: there is something on the board, and nobody agreed to replace it.

    """
    import sys

    from sequencer.board.bench import ready_for_bench
    from sequencer.board.flash import flash_board
    from sequencer.board.link import Link
    from sequencer.board.messages import catalogue
    from sequencer.cli.say import progress
    from sequencer.errors import Fault, UsageError
    from sequencer.firmware.boards import prebuilt_player
    from sequencer.firmware.hexfile import flat

    player = prebuilt_player("uno")
    transport.set_baud(catalogue().baud)
    transport.reset()
    hello = Link(transport).listen_for_hello()
    if hello is not None and ready_for_bench(hello) and hello.player_crc == player.crc32:
        return
    if hello is None:
        there = f"no Quarterjack player answers on {transport.name}; what it runs would be replaced"
    elif ready_for_bench(hello):
        there = ""
    else:
        whose = repr(hello.figure) if hello.figure else "a figure"
        there = f"{transport.name} carries the show of {whose}, which the bench needs removed"
    if there and not yes:
        agreed = sys.stdin.isatty() and typer.confirm(f"{there}. Put the bare player on it?", err=True)
        if not agreed:
            raise UsageError(
                Fault(there, remedy="answer y, or add --yes; `quarterjack flash` puts the show back later")
            )
    with progress("bare player") as bar:
        content = flat(player.segments, player.board.image_base)
        flash_board(transport, content, 0, player.crc32, bar.pages)
    tell("the bare player is on the board")
