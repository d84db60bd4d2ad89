"""Keys as they are pressed on a terminal; words on lines where there is none (scripts, tests)."""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

#: What terminals send for the keys that have no letter.
ESCAPES = {
    "\x1b[A": "up",
    "\x1b[B": "down",
    "\x1b[C": "right",
    "\x1b[D": "left",
    "\x1bOA": "up",
    "\x1bOB": "down",
    "\x1bOC": "right",
    "\x1bOD": "left",
    "\x1b": "esc",
    " ": "space",
    "\r": "enter",
    "\n": "enter",
}
#: What msvcrt sends after its prefix.
WINDOWS = {"H": "up", "P": "down", "M": "right", "K": "left"}


class Keys(Protocol):
    """A source of keys."""

    def read(self, timeout_s: float) -> str | None:
        """The next key's name ("left", "c", "space"), None when there was none in time, "end" at the end."""
        ...


@contextmanager
def keys(*, words: bool = True) -> Iterator[Keys]:
    """Single keys from a terminal; otherwise lines of words from stdin, each word a key.

    With ``words`` false, nothing is read where there is no terminal: a script keeps its own input.
    """
    if sys.stdin is None or not sys.stdin.isatty():
        yield _Lines() if words else _NoKeys()
        return
    if sys.platform == "win32":
        yield _WindowsKeys()
        return
    import termios
    import tty

    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    try:
        tty.setcbreak(number)
        yield _TerminalKeys(number)
    finally:
        with contextlib.suppress(termios.error):
            termios.tcsetattr(number, termios.TCSADRAIN, before)


class _NoKeys:
    def read(self, timeout_s: float) -> str | None:
        time.sleep(timeout_s)
        return None


class _TerminalKeys:
    def __init__(self, number: int) -> None:
        self._number = number
        self._held = ""

    def read(self, timeout_s: float) -> str | None:
        import select

        if not self._held:
            ready, _, _ = select.select([self._number], [], [], timeout_s)
            if not ready:
                return None
            data = os.read(self._number, 64)
            if not data:
                return "end"
            self._held = data.decode("utf-8", errors="ignore")
        return self._next()

    def _next(self) -> str | None:
        for length in (3, 1):
            name = ESCAPES.get(self._held[:length])
            if name is not None:
                self._held = self._held[length:]
                return name
        key, self._held = self._held[:1], self._held[1:]
        return key or None


class _WindowsKeys:
    def read(self, timeout_s: float) -> str | None:
        import importlib

        msvcrt = importlib.import_module("msvcrt")
        end = time.monotonic() + timeout_s
        while not msvcrt.kbhit():
            if time.monotonic() >= end:
                return None
            time.sleep(0.01)
        key: str = msvcrt.getwch()
        if key in ("\x00", "\xe0"):
            return WINDOWS.get(msvcrt.getwch())
        return ESCAPES.get(key, key)


class _Lines:
    """Words from stdin; a thread reads, so that waiting has an end on every system."""

    def __init__(self) -> None:
        self._words: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._fill, daemon=True).start()

    def read(self, timeout_s: float) -> str | None:
        try:
            return self._words.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def _fill(self) -> None:
        for line in _stdin_lines():
            for word in line.split():
                self._words.put(word)
        self._words.put("end")


def _stdin_lines() -> Iterator[str]:
    """Lines of stdin; past Python's buffer where there is a descriptor.

    A thread that waits inside the buffer holds its lock, and the interpreter could not end cleanly.
    """
    if sys.stdin is None:
        return
    try:
        number = sys.stdin.fileno()
    except OSError:
        # Something that stands in for stdin.
        yield from sys.stdin
        return
    held = b""
    with contextlib.suppress(OSError):
        while data := os.read(number, 4096):
            *lines, held = (held + data).split(b"\n")
            for line in lines:
                yield line.decode("utf-8", errors="ignore")
    yield held.decode("utf-8", errors="ignore")
