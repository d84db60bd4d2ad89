"""Simulated time held to the wall clock, so that a person can watch a virtual or emulated board."""

from __future__ import annotations

import time
from collections.abc import Callable

from sequencer.board.transport import Transport

#: Simulated time is let pass in steps of at most a servo frame.
STEP_S = 0.02


class Paced:
    """A transport whose simulated time runs at ``speed`` times the wall clock, never faster.

    ``clock`` and ``sleep`` stand in for the computer's (tests).
    """

    def __init__(
        self,
        inner: Transport,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._inner = inner
        self._speed = speed
        self._clock = clock
        self._sleep = sleep
        self._wall = clock()
        self._board = inner.now_s()

    @property
    def name(self) -> str:
        """The inner transport's."""
        return self._inner.name

    def write(self, data: bytes) -> None:
        """As the inner one."""
        self._inner.write(data)

    def read(self, size: int, timeout_s: float) -> bytes:
        """As the inner one, in steps that wait for the wall clock."""
        end = self._inner.now_s() + timeout_s
        got = b""
        while True:
            left = end - self._inner.now_s()
            got += self._inner.read(size - len(got), max(0.0, min(left, STEP_S)))
            self._wait()
            if len(got) >= size or end - self._inner.now_s() <= 1e-9:
                return got

    def reset(self) -> None:
        """As the inner one."""
        self._inner.reset()

    def set_baud(self, baud: int) -> None:
        """As the inner one."""
        self._inner.set_baud(baud)

    def close(self) -> None:
        """As the inner one."""
        self._inner.close()

    def now_s(self) -> float:
        """The board's time."""
        return self._inner.now_s()

    def _wait(self) -> None:
        due = self._wall + (self._inner.now_s() - self._board) / self._speed
        late = self._clock() - due
        if late < 0:
            self._sleep(-late)
        elif late > 1.0:
            # The program was busy elsewhere for long: go on from here instead of racing to catch up.
            self._wall += late
