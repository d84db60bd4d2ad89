"""``quarterjack ports``: which boards are plugged in. Nothing is sent to any of them."""

from __future__ import annotations

from typing import Annotated

import typer


def command(
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """List the ports that may be a board, likeliest first; nothing is sent to any of them."""
    from sequencer.board.ports import candidates
    from sequencer.cli.say import console, say_json

    found = candidates()
    usb = [item for item in found if item.is_usb]
    if as_json:
        say_json(
            {
                "schema": 1,
                "ports": [
                    {
                        "device": item.device,
                        "what": item.what,
                        "usb": item.usb_id,
                        "serial_number": item.serial_number,
                    }
                    for item in found
                ],
                "auto": usb[0].device if len(usb) == 1 else None,
            }
        )
        return
    out = console()
    for item in found:
        out.print(item.line(), markup=False)
    if len(usb) == 1:
        out.print(f"--port auto means {usb[0].device}", markup=False)
    elif usb:
        out.print(f"{len(usb)} USB ports: name one with --port, `--port auto` does not guess", markup=False)
    else:
        out.print("no USB board is plugged in; `--port virtual` needs none", markup=False)
