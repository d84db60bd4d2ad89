"""What was made before, by what it was made from: so that an edit makes anew only what it changes.

Keys hold every input of what is made: small ones as they are (numbers, names, the bytes of control points),
large ones that are never altered by their identity (:class:`Same`). So nothing here can be out of date; at
worst it is made again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")


class Same:
    """Stands in a key for one object, which it keeps alive: equal to what stands for the very same object."""

    def __init__(self, thing: object) -> None:
        self.thing = thing

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and other.thing is self.thing

    def __hash__(self) -> int:
        return id(self.thing)


class Kept:
    """Results by key. What was not asked for since the turn before the last is forgotten."""

    def __init__(self) -> None:
        self._now: dict[Hashable, Any] = {}
        self._before: dict[Hashable, Any] = {}

    def of(self, key: Hashable, make: Callable[[], T]) -> T:
        """What was made under this key, or is now. What raises is not kept."""
        found = self.find(key)
        if found is None:
            found = make()
            self.put(key, found)
        result: T = found
        return result

    def find(self, key: Hashable) -> Any:
        """What is kept under this key, or None."""
        found = self._now.get(key)
        if found is None:
            found = self._before.get(key)
            if found is not None:
                self._now[key] = found
        return found

    def put(self, key: Hashable, value: object) -> None:
        """Keep a value, which is not None."""
        self._now[key] = value

    def alike(self, key: Hashable, values: NDArray[Any]) -> NDArray[Any]:
        """The array that was last given under this key where it equals ``values``, else these."""
        former = self.find(key)
        if former is not None and np.array_equal(former, values):
            values = former
        self.put(key, values)
        return values

    def turn(self) -> None:
        """A new turn begins: what the last one did not ask for is forgotten."""
        self._before, self._now = self._now, {}
