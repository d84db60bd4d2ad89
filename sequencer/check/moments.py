"""Functions of moments, done again only at those moments whose arguments changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: When more than this share of the moments changed, all are done again.
MOST = 0.5


class Momentary:
    """Remembers the last arguments and values of a function of moments.

    ``function`` takes arrays (n, ...) and gives arrays (n, ...): row i of what it gives depends on row i of
    what it takes alone. An array that comes out as before is the very same one.
    """

    def __init__(self, function: Callable[..., Sequence[Array]]) -> None:
        self._function = function
        self._taken: tuple[Array, ...] = ()
        self._given: tuple[Array, ...] = ()

    def __call__(self, *taken: Array) -> tuple[Array, ...]:
        """The function's values."""
        changed = self._changed(taken)
        if changed is None:
            self._given = tuple(self._function(*taken))
        elif len(changed):
            rows = self._function(*(values[changed] for values in taken))
            self._given = tuple(map(_with_rows, self._given, [changed] * len(self._given), rows))
        self._taken = taken
        return self._given

    def _changed(self, taken: tuple[Array, ...]) -> NDArray[np.int64] | None:
        """The moments that are to be done again; None for all."""
        if [values.shape for values in taken] != [values.shape for values in self._taken] or not taken:
            return None
        differs = np.zeros(len(taken[0]), bool)
        for now, before in zip(taken, self._taken, strict=True):
            if now is not before:
                # NaN differs from itself and is done again: that costs time, not truth.
                differs |= (now != before).reshape(len(now), -1).any(axis=1)
        changed = np.flatnonzero(differs)
        return None if len(changed) > MOST * len(differs) else changed


def _with_rows(before: Array, changed: NDArray[np.int64], rows: Array) -> Array:
    if np.array_equal(before[changed], rows):
        return before
    after = before.copy()
    after[changed] = rows
    return after
