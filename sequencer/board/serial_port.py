"""A real board's port, through pyserial, and what its errors mean.

The port is opened once, exclusively, and kept. On POSIX HUPCL is cleared, so that closing does not
reset the board; the first open may still do it (the kernel raises DTR). On Windows DTR is low before
the port opens. Ports without modem lines (a pty, a socket) are reset by closing and opening them.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import time
from typing import TYPE_CHECKING

from sequencer.board.port_trouble import holders_of, in_use, open_trouble, went_away
from sequencer.errors import LinkError, PortError

if TYPE_CHECKING:
    import serial

#: One blocking read lasts at most this long, so that a deadline is kept within it.
SLICE_S = 0.02
#: How long DTR and RTS stay released before the pulse; the board's 100 nF capacitor recharges.
RELEASE_S = 0.1


def trouble_types() -> tuple[type[BaseException], ...]:
    """What an unplugged cable raises: pyserial#417 saw all of these."""
    import serial

    kinds: list[type[BaseException]] = [serial.SerialException, OSError, TypeError]
    with contextlib.suppress(ImportError):
        import termios

        kinds.append(termios.error)
    return tuple(kinds)


def shared(device: str) -> bool:
    """Whether another program has the port open too. A pty is always held by whoever serves it."""
    return not device.startswith("/dev/pts/") and bool(holders_of(device))


class SerialPort:
    """An open serial port, pty, or pyserial URL (``socket://``, ``rfc2217://``).

    Raises:
        PortError: when it cannot be opened; in words for each cause.
        LinkError: from any other method, when the cable went away.

    """

    def __init__(self, device: str, baud: int = 250000) -> None:
        self._device = device
        self._trouble = trouble_types()
        self._baud = baud
        self._port: serial.Serial = self._open()

    @property
    def name(self) -> str:
        """The device as the builder gave it."""
        return self._device

    def write(self, data: bytes) -> None:
        """Hand all of ``data`` to the line."""
        try:
            self._port.write(data)
        except self._trouble as error:
            raise went_away(self._device, error) from error

    def read(self, size: int, timeout_s: float) -> bytes:
        """Up to ``size`` bytes within ``timeout_s`` wall seconds."""
        got = bytearray()
        end = time.monotonic() + timeout_s
        try:
            while len(got) < size:
                waiting = self._port.in_waiting
                if waiting == 0 and time.monotonic() >= end:
                    # Linux tells of a pulled cable only to a reader: look once even without time left.
                    if timeout_s > 0:
                        self._look()
                    break
                got += self._port.read(max(1, min(waiting, size - len(got))))
        except self._trouble as error:
            raise went_away(self._device, error) from error
        return bytes(got)

    def reset(self) -> None:
        """Pulse DTR and RTS; a port that has none is closed and opened again."""
        try:
            if not self._pulse():
                self._port.close()
                # Long enough for a served board to notice that nobody is there.
                time.sleep(RELEASE_S)
                self._port = self._open()
            self._port.reset_input_buffer()
        except PortError as error:
            raise LinkError(
                f"{self._device} could not be opened again to reset the board: {error}"
            ) from error
        except self._trouble as error:
            raise went_away(self._device, error) from error

    def set_baud(self, baud: int) -> None:
        """Change the line's speed."""
        self._baud = baud
        try:
            self._port.baudrate = baud
        except self._trouble as error:
            raise went_away(self._device, error) from error
        except ValueError as error:
            raise LinkError(f"{self._device} cannot do {baud} baud: {error}") from error

    def close(self) -> None:
        """Let the port go; never raises, and never hangs for long (pyserial#331)."""

        def quietly() -> None:
            with contextlib.suppress(*self._trouble):
                self._port.close()

        if os.name != "nt":
            quietly()
            return
        closer = threading.Thread(target=quietly, daemon=True)
        closer.start()
        closer.join(1.0)

    def now_s(self) -> float:
        """The computer's monotonic clock."""
        return time.monotonic()

    def _open(self) -> serial.Serial:
        import serial

        try:
            if "://" in self._device:
                return serial.serial_for_url(
                    self._device, baudrate=self._baud, timeout=SLICE_S, write_timeout=5
                )
            port = serial.Serial(None, self._baud, timeout=SLICE_S, write_timeout=5, exclusive=True)
            port.port = self._device
            if os.name == "nt":
                port.dtr = False
            port.open()
        except self._trouble as error:
            raise open_trouble(self._device, error) from error
        except ValueError as error:
            raise PortError(f"{self._device}: {error}") from error
        if os.name != "nt":
            self._keep_on_close(port)
            if shared(self._device):
                # Not every program locks its port; two readers would each get half of the bytes.
                port.close()
                raise in_use(self._device)
        return port

    def _keep_on_close(self, port: serial.Serial) -> None:
        """Clear HUPCL: closing keeps DTR, so that the next program does not reset the board."""
        import termios

        with contextlib.suppress(termios.error, OSError):
            settings = termios.tcgetattr(port.fileno())
            settings[2] &= ~termios.HUPCL
            termios.tcsetattr(port.fileno(), termios.TCSANOW, settings)

    def _pulse(self) -> bool:
        """Whether the port has a reset line that could be pulsed."""
        if self._device.startswith("socket://"):
            return False
        try:
            self._port.dtr = False
            self._port.rts = False
            time.sleep(RELEASE_S)
            self._port.dtr = True
            self._port.rts = True
        except OSError as error:
            if error.errno in (errno.ENOTTY, errno.EINVAL):
                return False
            raise
        return True

    def _look(self) -> None:
        """Raise when the port is gone though it reads as merely silent."""
        if os.name != "nt" and self._device.startswith("/dev/") and not os.path.exists(self._device):  # noqa: PTH110
            raise OSError(errno.ENODEV, "device is gone")
