"""``quarterjack compile``: everything a board, a sketch or an archive needs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    show: Annotated[Path, typer.Argument(help="The show's folder.")] = Path(),
    out: Annotated[Path, typer.Option("-o", "--out", help="The folder to write into.")] = Path("build"),
    target: Annotated[
        str,
        typer.Option(
            help="hex (for the figure's board, with its player as a sketch), sketch (for any other "
            "controller), or all."
        ),
    ] = "hex",
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Write header, sketch folder, hex, image, certificate and report; all of them or nothing."""
    from sequencer.cli.say import console, progress, say_json
    from sequencer.cli.showing import print_findings, report_text
    from sequencer.errors import UsageError
    from sequencer.firmware.compile import Target, write_outputs
    from sequencer.show import build_show, checked_for_board

    if target not in ("hex", "sketch", "all"):
        raise UsageError(f"--target must be hex, sketch or all, not `{target}`")
    wanted: Target = "hex" if target == "hex" else "sketch" if target == "sketch" else "all"
    with progress("compile") as bar:
        built = build_show(show, bar.tell)
        checked = checked_for_board(built, bar.tell)
        made = write_outputs(
            *(out, built.contents, built.image, built.planned.specs, built.certificate, built.player),
            report_text(checked),
            built.pairs,
            built.figure.board.memory_bytes,
            wanted,
        )
    if as_json:
        say_json(dict(made.contract))
        return
    say = console()
    for file in made.files:
        say.print(f"wrote {file}", markup=False)
    say.print(
        f"{made.room.image_bytes} bytes of tables, CRC {built.image_crc32:08x}; "
        f"{made.room.bytes_free} bytes free, about {made.room.seconds_left:.0f} s more."
    )
    print_findings(say, checked.report.findings)
