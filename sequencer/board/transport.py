"""The seam between a board and everything that talks to one.

A real serial port, the virtual board in this process and the emulated board all look like this, so
that uploader and link are the same code for each of them.
"""

from __future__ import annotations

from typing import Protocol


class Transport(Protocol):
    """A byte pipe to one board, with a reset line.

    Every method may raise :class:`~sequencer.errors.LinkError` when the cable went away.
    """

    @property
    def name(self) -> str:
        """What messages call this board's port: ``/dev/ttyACM0``, ``COM3``, ``virtual``."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of ``data`` (returns once handed to the line, not once it arrived)."""
        ...

    def read(self, size: int, timeout_s: float) -> bytes:
        """Up to ``size`` bytes; fewer, or none, when ``timeout_s`` seconds of board time pass first."""
        ...

    def reset(self) -> None:
        """Pulse the reset line; the board's boot loader runs next. Bytes not read yet are dropped."""
        ...

    def set_baud(self, baud: int) -> None:
        """Change the line's speed in bits per second."""
        ...

    def close(self) -> None:
        """Let the port go; closing twice is harmless and never raises."""
        ...

    def now_s(self) -> float:
        """The board's time base in seconds: monotonic; simulated for a virtual or emulated board."""
        ...
