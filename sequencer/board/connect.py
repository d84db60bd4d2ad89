"""``--port``: from what the builder typed to an open transport."""

from __future__ import annotations

from pathlib import Path

from sequencer.board.ports import choose
from sequencer.board.transport import Transport

#: Help text of every ``--port`` option.
PORT_HELP = (
    "auto (the only USB board), a device (/dev/ttyACM0, COM3), usb:SERIALNUMBER, a URL (socket://...), "
    "virtual (a board in this program) or emulated (the real firmware, cycle by cycle)."
)
#: Help text of every ``--state`` option.
STATE_HELP = "Where a virtual or emulated board's flash is kept (default: a file in the user's cache folder)."
SIMULATED = ("virtual", "emulated")


def is_simulated(spec: str) -> bool:
    """Whether no real machine can move behind this port."""
    return spec in SIMULATED


def open_port(
    spec: str, *, speed: float | None = 1.0, state: Path | None = None, kind: str = "uno"
) -> Transport:
    """Open the port that ``spec`` names.

    Args:
        spec: ``auto``, ``virtual``, ``emulated``, ``usb:SERIALNUMBER``, a pyserial URL, or a device.
        speed: of a simulated board, in times real time; None: as fast as the computer can.
        state: where a virtual board's flash is kept; None: the user's cache folder.
        kind: which board a simulated one stands for.

    Raises:
        PortError: missing, denied, in use, several, or (``emulated``) a library that is not there.

    """
    simulated: Transport
    if spec == "virtual":
        from sequencer.board.virtual_boards import open_virtual

        simulated = open_virtual(state, kind)
    elif spec == "emulated":
        from sequencer.board.emulated_state import open_kept

        simulated = open_kept(state, kind)
    else:
        from sequencer.board.serial_port import SerialPort

        return SerialPort(choose(spec) if spec == "auto" or spec.startswith("usb:") else spec)
    if speed is None:
        return simulated
    from sequencer.board.pace import Paced

    return Paced(simulated, speed)
