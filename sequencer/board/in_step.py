"""Keeping a board's clock in step while something else goes on: a look now and then, corrected when due."""

from __future__ import annotations

from sequencer.board.clock import BoardClock, ClockJumpError, set_clock
from sequencer.board.link import Link
from sequencer.errors import NotTakenError

#: Seconds between two corrections; and to the first one, until which a resonator's half a per cent goes on.
EVERY_S, FIRST_S = 2.0, 0.5


class InStep:
    """Corrects the clock of a board every few seconds. Call :meth:`look` as often as you like.

    A board that does not know the question goes on without: it is asked once. A clock that jumped is begun
    anew: whether the board was reset is told by what follows its scene, and this computer may have slept.

    Args:
        link: to a board that was met.
        trim: the image's calibration of its clock, in 320 000ths of a frame.
        hasty: while points are streamed no look may take longer than one of them.

    """

    def __init__(self, link: Link, trim: int = 0, *, hasty: bool = False) -> None:
        self._link = link
        self._calibrated = trim
        self._hasty = hasty
        self._clock: BoardClock | None = BoardClock(link, trim)
        self._next_s, self._wait_s = link.now_s(), FIRST_S

    @property
    def clock(self) -> BoardClock | None:
        """What keeps it in step; None on a board that goes on without."""
        return self._clock

    def look(self) -> None:
        """Correct it if that is due.

        Raises:
            LinkError: the board does not answer, or was reset.

        """
        if self._clock is None or self._link.now_s() < self._next_s:
            return
        self._next_s, self._wait_s = self._link.now_s() + self._wait_s, EVERY_S
        try:
            if self._hasty:
                self._clock.glance()
            else:
                self._clock.keep()
        except NotTakenError:
            self._clock = None
        except ClockJumpError:
            self._clock = BoardClock(self._link, self._clock.trim)

    def leave(self) -> None:
        """Nobody looks any more: a calibrated board gets back what was measured for longer than a scene.

        One that never was keeps what was found out now.

        Raises:
            LinkError: as :meth:`look`.

        """
        if self._clock is not None and self._calibrated != 0:
            set_clock(self._link, self._calibrated)
