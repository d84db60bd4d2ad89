"""A board ready for the bench: its figure laid down, or the bare player put on it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sequencer.board.link import Link
    from sequencer.board.reports import Hello
    from sequencer.board.transport import Transport

#: The option of every command that may have to put the bare player on a board.
BarePlayer = Annotated[
    bool,
    typer.Option(
        "--yes",
        help="Do not ask before putting the bare player on a board that runs something else, "
        "which removes that.",
    ),
]


def on_bench(
    transport: Transport, kind: str, yes: bool, tell: Callable[[str], None], starts_s: float = 0.0
) -> Link:
    """A link to a board of that kind on which single pins may be driven; a show stays on it, laid down.

    Opening the port resets most boards, and a board that has just been reset is laid down before anything
    moves; one that plays is held first. ``starts_s``: how long it may read through an I2C memory before.

    Raises:
        UsageError: the board runs something else than this player, and nobody agreed to replace it.
        BoardError: the board or its line is in trouble.

    """
    from sequencer.board.bench import ready_for_bench
    from sequencer.board.link import Link
    from sequencer.board.messages import catalogue
    from sequencer.firmware.boards import prebuilt_player

    player = prebuilt_player(kind)
    transport.set_baud(catalogue().baud)
    transport.reset()
    hello = Link(transport, starts_s=starts_s).listen_for_hello()
    link = Link(transport)
    if hello is None or hello.player_crc != player.crc32:
        _put_player(transport, kind, hello, yes, tell)
        link = Link(transport)
    elif not ready_for_bench(hello):
        tell(f"the board carries the show of {whose(hello)}: it stays there, laid down until a reset")
    link.hello(quiet_s=0.0)
    link.workshop()
    return link


def whose(hello: Hello) -> str:
    """The figure that a hello names, or words for one without a name."""
    return repr(hello.figure) if hello.figure else "a figure"


def _put_player(
    transport: Transport, kind: str, hello: Hello | None, yes: bool, tell: Callable[[str], None]
) -> None:
    from sequencer.board.bench import ready_for_bench
    from sequencer.board.chips import CHIPS
    from sequencer.board.flash import flash_board
    from sequencer.cli.say import progress
    from sequencer.errors import Fault, UsageError
    from sequencer.firmware.boards import prebuilt_player
    from sequencer.firmware.hexfile import flat

    if hello is None:
        there = f"no Quarterjack player answers on {transport.name}; what it runs would be replaced"
    elif ready_for_bench(hello):
        there = ""
    else:
        there = (
            f"{transport.name} carries the show of {whose(hello)} with another version of the player, "
            "which would be replaced"
        )
    if there and not yes:
        agreed = sys.stdin.isatty() and typer.confirm(f"{there}. Put the bare player on it?", err=True)
        if not agreed:
            raise UsageError(
                Fault(there, remedy="answer y, or add --yes; `quarterjack flash` puts the show back later")
            )
    player = prebuilt_player(kind)
    with progress("bare player") as bar:
        content = flat(player.segments, player.board.image_base)
        flash_board(transport, content, 0, player.crc32, bar.pages, chip=CHIPS[kind])
    tell("the bare player is on the board")
