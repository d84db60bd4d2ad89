"""The emulated board as a serial device that other programs can open (POSIX only).

A pseudo terminal has no reset line; opening it resets the board, as opening a real Uno's port does.
Time is paced to the wall clock, because the boot loader's patience is measured in it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
import time
from types import TracebackType

from sequencer.board.emulated import EmulatedBoard
from sequencer.board.simavr import F_CPU
from sequencer.errors import PortError

_STEP_S = 0.001
_SLIP_S = 0.05


class EmulatedServer:
    """Runs a board in a thread behind a pseudo terminal.

    While it runs, the board belongs to the thread; take :attr:`lock` to look at it. ``path`` is the
    device to open. ``trouble`` holds the error that ended the thread, if any.
    """

    def __init__(self, board: EmulatedBoard) -> None:
        try:
            import pty
            import tty
        except ImportError:  # Windows
            raise PortError("a pseudo terminal needs Linux or macOS; use `--port virtual`") from None
        self.board = board
        self.lock = threading.Lock()
        self.trouble: Exception | None = None
        self.resets = 0
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        os.close(slave)  # from now on "nobody has it open" shows as POLLHUP
        os.set_blocking(self._master, False)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="emulated board", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop the thread and take the device away; the board stays usable."""
        self._stop.set()
        self._thread.join()
        if self._master >= 0:
            os.close(self._master)
            self._master = -1

    def __enter__(self) -> EmulatedServer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _run(self) -> None:
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        is_open = False
        due = time.monotonic()
        pending = b""
        try:
            while not self._stop.is_set():
                events = sum(event for _, event in poll.poll(0))
                hung_up = bool(events & select.POLLHUP)
                with self.lock:
                    if is_open == hung_up:
                        is_open = not hung_up
                        if is_open:
                            self.board.reset()
                            self.board.sent.clear()
                            self.resets += 1
                    if events & select.POLLIN:
                        self.board.feed(self._read())
                    self.board.run(int(F_CPU * _STEP_S))
                    pending += self.board.take()
                pending = self._write(pending) if is_open else b""
                due += _STEP_S
                now = time.monotonic()
                if due > now:
                    self._stop.wait(due - now)
                elif now - due > _SLIP_S:  # a busy machine: run late, never in a burst
                    due = now
        except Exception as error:
            self.trouble = error

    def _read(self) -> bytes:
        try:
            return os.read(self._master, 4096)
        except OSError as error:
            if error.errno in (errno.EIO, errno.EAGAIN):
                return b""
            raise

    def _write(self, data: bytes) -> bytes:
        """What could not be written yet."""
        with contextlib.suppress(BlockingIOError):
            return data[os.write(self._master, data) :] if data else b""
        return data


def serve(board: EmulatedBoard) -> EmulatedServer:
    """Offer the board on a pseudo terminal: ``with serve(board) as server: open(server.path)``."""
    return EmulatedServer(board)
