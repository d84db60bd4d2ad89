"""The emulated board behind the same seam as a serial port.

Time is simulated and passes only inside ``read``, in the caller's thread, so that a run repeats exactly.
"""

from __future__ import annotations

from pathlib import Path

from sequencer.board.emulated import CHUNK, EmulatedBoard
from sequencer.board.emulated_kinds import BOARD_KINDS
from sequencer.board.simavr import F_CPU
from sequencer.errors import LinkError


class EmulatedTransport:
    """The emulated board as a :class:`~sequencer.board.transport.Transport`, in simulated time.

    Time passes only while ``read`` waits (and a little in ``reset``), so nothing depends on the
    speed of the machine. ``clock_ppm``: by how much the board's clock is fast.
    """

    def __init__(self, board: EmulatedBoard, name: str = "emulated", clock_ppm: float = 0.0) -> None:
        self.board = board
        #: The board's cycles in a second of the host's: a board that is fast has more.
        self.board_rate = F_CPU * (1.0 + clock_ppm / 1e6)
        self._name = name
        self._open = True

    @property
    def name(self) -> str:
        """What messages call this port."""
        return self._name

    def _check(self) -> None:
        if not self._open:
            raise LinkError(f"{self._name}: the port is closed")

    def write(self, data: bytes) -> None:
        """Put bytes on the line; they travel at its speed while ``read`` lets time pass."""
        self._check()
        self.board.feed(data)

    def read(self, size: int, timeout_s: float) -> bytes:
        """Up to ``size`` bytes; fewer when ``timeout_s`` of simulated time pass first."""
        self._check()
        board = self.board
        end = board.cycle + round(timeout_s * self.board_rate)
        while len(board.sent) < size and board.cycle < end:
            board.run(min(CHUNK, end - board.cycle))
        return board.take(size)

    def reset(self) -> None:
        """Pulse the reset line; what was not read yet is dropped."""
        self._check()
        self.board.reset()
        self.board.sent.clear()

    def set_baud(self, baud: int) -> None:
        """Set the host's speed; when the board's differs by over 4 %, both hear noise."""
        self._check()
        self.board.host_baud = baud

    def close(self) -> None:
        """Let the port go."""
        self._open = False

    def now_s(self) -> float:
        """Simulated seconds of the host's clock since power-on."""
        return self.board.cycle / self.board_rate


def open_emulated(
    flash: bytes | None = None, workdir: Path | None = None, kind: str = "uno"
) -> EmulatedTransport:
    """A new emulated board with a real boot loader, as a transport: what ``--port emulated`` opens.

    ``flash`` is put at address 0 first (a board that was flashed before). The boot loader is
    compiled from the packaged source on the spot, so this is a developer's port.

    Raises:
        PortError: libsimavr, avr-gcc or the boot loader's source is absent; says what to install.
    """
    from sequencer.board.simavr_loader import MEGA, loader_hex, packaged_loader

    loader = packaged_loader(MEGA) if kind == "mega" else loader_hex(workdir)
    board = EmulatedBoard(loader, BOARD_KINDS[kind])
    if flash is not None:
        board.load(0, flash[: board.kind.loader_start])
        board.power_on()
    return EmulatedTransport(board)
