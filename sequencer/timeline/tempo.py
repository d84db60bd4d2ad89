"""Ticks to seconds by a MIDI file's tempo map, exactly.

SMF 1.0: ``FF 51 03`` gives microseconds to the quarter note; before any tempo event it is 500 000
(120 beats a minute). Sums are kept in whole microsecond-ticks, so no error builds up over a file.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable

DEFAULT_US_PER_QUARTER = 500_000


class TempoMap:
    """Built from (tick, us per quarter) in any order; of several at one tick the last counts."""

    def __init__(self, ticks_per_quarter: int, changes: Iterable[tuple[int, int]]) -> None:
        """Raises ``ValueError`` unless ``ticks_per_quarter`` is positive."""
        if ticks_per_quarter <= 0:
            raise ValueError("ticks per quarter note must be positive")
        self.ticks_per_quarter = ticks_per_quarter
        tempos = {0: DEFAULT_US_PER_QUARTER}
        for tick, us in sorted(changes, key=lambda change: change[0]):
            tempos[tick] = us
        self._ticks = list(tempos)
        self._us = list(tempos.values())
        self._before = [0]  # microseconds times ticks-per-quarter at each change
        for index in range(1, len(self._ticks)):
            span = self._ticks[index] - self._ticks[index - 1]
            self._before.append(self._before[-1] + span * self._us[index - 1])

    @property
    def changes(self) -> list[tuple[int, int]]:
        """(tick, us per quarter) in order, the first at tick 0."""
        return list(zip(self._ticks, self._us, strict=True))

    def seconds(self, tick: int) -> float:
        """Time of ``tick`` in seconds, correctly rounded."""
        index = bisect_right(self._ticks, tick) - 1
        micro = self._before[index] + (tick - self._ticks[index]) * self._us[index]
        return micro / (self.ticks_per_quarter * 1_000_000)
