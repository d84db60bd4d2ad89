"""``quarterjack bench``: one servo or lamp by keys, before there is any figure file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sequencer.board.connect import PORT_HELP, STATE_HELP

if TYPE_CHECKING:
    from sequencer.board.transport import Transport


def command(
    port: Annotated[str, typer.Option(help=PORT_HELP)] = "auto",
    pin: Annotated[int, typer.Option(min=2, max=19, help="The pin, by its printed number (A0 is 14).")] = 9,
    kind: Annotated[str, typer.Option(help="servo or lamp.")] = "servo",
    yes: Annotated[bool, typer.Option("--yes", help="Replace what is on the board; do not ask.")] = False,
    state: Annotated[Path | None, typer.Option(help=STATE_HELP)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object at the end.")] = False,
) -> None:
    """Move one servo or lamp by keys; horns off first. No figure file is needed.

    Without a terminal the keys are read as words from standard input: c, right, up, l, h, m, q.
    """
    from sequencer.board.bench import HELP, Jog, Kind
    from sequencer.board.connect import open_port
    from sequencer.board.link import Link
    from sequencer.cli.keys import keys
    from sequencer.cli.say import console, say_json
    from sequencer.errors import UsageError

    if kind not in ("servo", "lamp"):
        raise UsageError(f"--kind must be servo or lamp, not {kind!r}")
    exact: Kind = "servo" if kind == "servo" else "lamp"
    check_pin(exact, pin)

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    transport = open_port(port, speed=None, state=state)
    try:
        prepare(transport, yes, tell)
        jog = Jog(Link(transport), exact, pin)
        jog.link.hello()
        tell(
            f"{exact} on D{pin} of {transport.name}. "
            + ("Horn off; servos on their own supply, grounds joined." if exact == "servo" else "")
        )
        tell(HELP[exact])
        tell(jog.start())
        with keys() as pressed:
            try:
                while True:
                    key = pressed.read(0.2)
                    line = "" if key is None else None if key == "end" else jog.press(key)
                    if line is None:
                        break
                    if line:
                        tell(line)
                    # Lets a simulated board's time pass, and hears a reset.
                    jog.link.reports(0.05)
            except KeyboardInterrupt:
                pass
        jog.stop()
    finally:
        transport.close()
    lines = jog.figure_lines()
    problems = jog.problems()
    if as_json:
        say_json(
            {
                "schema": 1,
                "pin": pin,
                "kind": exact,
                "value": jog.value,
                "unit": "us" if exact == "servo" else "half per cent of lightness",
                "centre_us": jog.centre_us,
                "ends_us": [jog.low_us, jog.high_us] if jog.low_us and jog.high_us else None,
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
    from sequencer.firmware.boards import board_description

    board = board_description("uno")
    pins = board.servo_pins if kind == "servo" else board.lamp_pins
    if pin not in pins:
        raise UsageError(
            Fault(
                f"pin {pin} of the {board.title} cannot serve a {kind}",
                quantity="pin",
                value=str(pin),
                limit=", ".join(str(each) for each in pins),
                remedy="choose one of these with --pin",
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
