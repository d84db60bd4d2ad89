"""A virtual board for other programs: on a pseudo terminal (POSIX) or a TCP socket, in real time.

Whoever opens the port resets the board, as on a real Uno.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from collections.abc import Callable
from typing import Protocol

from sequencer.board.virtual import PLAYER_BAUD, VirtualBoard
from sequencer.errors import Fault, PortError

#: How long one look at the port lasts; a byte's round trip is about this.
LOOK_S = 0.004
#: A computer too busy to look for longer than this slows the board down: otherwise bytes that wait at
#: the door would find its loader's second of patience over.
SLIP_US = 50_000


class Doorway(Protocol):
    """Where one program at a time comes in."""

    name: str

    def look(self, wait_s: float) -> tuple[bool, bytes]:
        """Wait a little; whether somebody just came in, and the bytes that arrived."""
        ...

    def send(self, data: bytes) -> None:
        """Bytes to whoever is there; dropped when nobody is."""
        ...

    def close(self) -> None:
        """Take the port away."""
        ...


class PtyDoorway:
    """A pseudo terminal. Opening it shows as a hang-up that ends."""

    def __init__(self) -> None:
        import tty

        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        os.set_blocking(self._master, False)
        os.close(slave)
        self._poll = select.poll()
        self._poll.register(self._master, select.POLLIN | select.POLLHUP)
        self._there = False

    def look(self, wait_s: float) -> tuple[bool, bytes]:
        """See :class:`Doorway`."""
        events = dict(self._poll.poll(wait_s * 1000)).get(self._master, 0)
        there = not events & select.POLLHUP
        came = there and not self._there
        self._there = there
        data = b""
        if events & select.POLLIN:
            with contextlib.suppress(OSError):
                data = os.read(self._master, 4096)
        if not there:
            # A hang-up ends the poll at once.
            time.sleep(wait_s)
        return came, data

    def send(self, data: bytes) -> None:
        """See :class:`Doorway`."""
        if self._there and data:
            with contextlib.suppress(OSError):
                os.write(self._master, data)

    def close(self) -> None:
        """See :class:`Doorway`."""
        os.close(self._master)


class TcpDoorway:
    """A listening socket on this computer; ``socket://127.0.0.1:PORT`` for our own ``--port``."""

    def __init__(self, port: int) -> None:
        """Listen.

        Raises:
            PortError: the port number is taken or not allowed.

        """
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._listener.bind(("127.0.0.1", port))
        except (OSError, OverflowError) as error:
            self._listener.close()
            raise PortError(
                Fault(
                    f"TCP port {port} cannot be used: {error}",
                    remedy="choose another, or 0 for any that is free",
                )
            ) from error
        self._listener.listen(1)
        self.name = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._guest: socket.socket | None = None

    def look(self, wait_s: float) -> tuple[bool, bytes]:
        """See :class:`Doorway`."""
        watched = [self._listener] if self._guest is None else [self._guest]
        ready, _, _ = select.select(watched, [], [], wait_s)
        if not ready:
            return False, b""
        if self._guest is None:
            self._guest, _ = self._listener.accept()
            self._guest.setblocking(False)
            self._guest.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return True, b""
        data = b""
        with contextlib.suppress(OSError):
            data = self._guest.recv(4096)
        if not data:
            self._guest.close()
            self._guest = None
        return False, data

    def send(self, data: bytes) -> None:
        """See :class:`Doorway`."""
        if self._guest is not None and data:
            with contextlib.suppress(OSError):
                self._guest.sendall(data)

    def close(self) -> None:
        """See :class:`Doorway`."""
        for end in (self._guest, self._listener):
            if end is not None:
                end.close()


def _wall_us() -> int:
    return time.monotonic_ns() // 1000


def serve(
    board: VirtualBoard,
    door: Doorway,
    *,
    save: Callable[[], None] = lambda: None,
    until: Callable[[], bool] = lambda: False,
) -> None:
    """Run the board in real time for whoever comes, until ``until()`` says so or Ctrl-C.

    ``save`` is called after each visit's reset and at the end, to keep the flash.
    """
    start_us = _wall_us() - board.now_us
    try:
        while not until():
            came, data = door.look(LOOK_S)
            behind = _wall_us() - start_us - board.now_us
            if behind > SLIP_US:
                start_us += behind - SLIP_US
            board.run_until(_wall_us() - start_us)
            if came:
                save()
                board.reset()
            if data:
                board.hear(data, PLAYER_BAUD)
            door.send(board.take(1 << 16, PLAYER_BAUD))
    finally:
        save()
        door.close()
