"""``quarterjack flash``: player and show onto the board."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sequencer.board.connect import PORT_HELP, STATE_HELP


def command(
    show: Annotated[Path, typer.Argument(help="The show folder.")] = Path(),
    port: Annotated[str, typer.Option(help=PORT_HELP)] = "auto",
    state: Annotated[Path | None, typer.Option(help=STATE_HELP)] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Compare every page, whatever the board says it carries.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Compile the show if needed, upload what differs, read it back, and wait for the board's hello."""
    from sequencer.board.chips import CHIPS, OLD_NANO_BAUD
    from sequencer.board.connect import is_simulated, open_port
    from sequencer.board.flash import flash_board
    from sequencer.board.link import Link
    from sequencer.board.reports import fault_remedy
    from sequencer.cli.other_calibration import other_calibration
    from sequencer.cli.ready import require_ends
    from sequencer.cli.say import as_typed, console, progress, say_json
    from sequencer.cli.start_cautions import memory_words, start_cautions
    from sequencer.errors import Fault, LinkError
    from sequencer.show import build_show, checked_for_board

    with progress("compile") as bar:
        built = build_show(show, bar.tell)
        content = built.flash_bytes
        checked_for_board(built, bar.tell)
    if not is_simulated(port):
        # The board starts to move by itself as soon as it carries a show.
        require_ends(built.figure)
    for line in memory_words(built.memory_check_s):
        if not as_json:
            console().print(line, markup=False)
    transport = open_port(port, speed=None, state=state, kind=built.figure.board.kind)
    try:
        with progress("flash") as bar:
            result = flash_board(
                transport,
                content,
                built.image_crc32,
                built.player_crc32,
                bar.pages,
                chip=CHIPS[built.figure.board.kind],
                force=force,
                outside=built.outside,
                starts_s=built.memory_check_s,
            )
        link = Link(transport)
        link.hello(quiet_s=0.0)
        other = other_calibration(link, built.figure)
    finally:
        transport.close()
    hello = result.hello
    if as_json:
        say_json(
            {
                "schema": 1,
                "port": transport.name,
                "outcome": result.outcome,
                "pages": result.pages,
                "pages_written": result.pages_written,
                "resumed": result.resumed,
                "loader_baud": result.baud,
                "image_crc32": f"{result.hello.image_crc:08x}",
                "player_crc32": f"{result.hello.player_crc:08x}",
                "figure": result.hello.figure,
                "fault": hello.fault,
                "other_calibration": other,
            }
        )
    if hello.fault != 0:
        raise LinkError(
            Fault(
                f"the show is on the board, but nothing will move: {hello.fault_words}",
                remedy=fault_remedy(hello.fault, as_typed(show)),
            )
        )
    if as_json:
        return
    if result.outcome == "nothing to do":
        said = f"{transport.name} already carries this show: nothing to do"
    else:
        said = "an upload that was interrupted is resumed: " if result.resumed else ""
        said += (
            f"{transport.name}: {result.pages_written} of {result.pages} pages written and read back; "
            f"the board says hello as `{hello.figure}`"
        )
    console().print(said, markup=False)
    if result.baud == OLD_NANO_BAUD:
        console().print(f"Its boot loader is the old one, of {result.baud} baud.", markup=False)
    for line in other:
        console().print(line, markup=False)
    if not is_simulated(port):
        console().print("The figure settles and begins its idle loop by itself: keep clear of it.")
    for caution in start_cautions(hello, is_simulated(port)):
        console().print(caution, markup=False)
