"""What was made before, by what it was made from: so that an edit makes anew only what it changes.

Keys hold every input of what is made: small ones as they are (numbers, names, the bytes of control points),
large ones that are never altered by their identity (:class:`Same`). So nothing here can be out of date; at
worst it is made again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
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


@dataclass(frozen=True)
class _Entry:
    """A value, and the keys of what was asked for while it was made."""

    value: Any
    parts: frozenset[Hashable] = frozenset()


class Kept:
    """Results by key. What was not asked for since the turn before the last is forgotten.

    Asking for a result asks for what it was made of too: should it be made again, its parts are there.
    """

    def __init__(self) -> None:
        self._now: dict[Hashable, _Entry] = {}
        self._before: dict[Hashable, _Entry] = {}
        self._asked: list[set[Hashable]] = []

    def of(self, key: Hashable, make: Callable[[], T]) -> T:
        """What was made under this key, or is now. What raises is not kept."""
        found = self.find(key)
        if found is None:
            self._asked.append(set())
            try:
                found = make()
            finally:
                parts = self._asked.pop()
            self._now[key] = _Entry(found, frozenset(parts))
        result: T = found
        return result

    def find(self, key: Hashable) -> Any:
        """What is kept under this key, or None."""
        if self._asked:
            self._asked[-1].add(key)
        entry = self._touched(key)
        return None if entry is None else entry.value

    def put(self, key: Hashable, value: object) -> None:
        """Keep a value, which is not None."""
        if self._asked:
            self._asked[-1].add(key)
        self._now[key] = _Entry(value)

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

    def _touched(self, key: Hashable) -> _Entry | None:
        entry = self._now.get(key)
        if entry is None:
            entry = self._before.get(key)
            if entry is not None:
                self._now[key] = entry
                for part in entry.parts:
                    self._touched(part)
        return entry
