"""Results by what they were made from: asked again they are there, no longer asked for they go."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.kept import Kept, Same


class Made:
    """Counts how often it is made."""

    def __init__(self) -> None:
        self.times = 0

    def __call__(self) -> list[int]:
        self.times += 1
        return [self.times]


def test_made_once_for_each_key() -> None:
    kept, made = Kept(), Made()
    assert kept.of("a", made) is kept.of("a", made)
    assert kept.of("b", made) == [2]


def test_what_is_not_asked_for_is_forgotten_after_a_turn() -> None:
    kept, made = Kept(), Made()
    kept.of("a", made)
    kept.turn()
    kept.of("a", made)
    assert made.times == 1
    kept.turn()
    kept.turn()
    kept.of("a", made)
    assert made.times == 2


def test_what_something_was_made_of_stays_with_it() -> None:
    kept, part, whole = Kept(), Made(), Made()

    def ask(key: str) -> None:
        kept.of(key, lambda: (kept.of("part", part), whole()))

    ask("whole")
    for _ in range(3):
        kept.turn()
        ask("whole")
    ask("another whole")
    assert (whole.times, part.times) == (2, 1)


def test_what_raises_is_made_again() -> None:
    kept, part = Kept(), Made()

    def fail() -> int:
        kept.of("part", part)
        raise RuntimeError

    for _ in range(2):
        with pytest.raises(RuntimeError):
            kept.of("whole", fail)
    assert kept.of("whole", lambda: 3) == 3
    assert part.times == 1


def test_same_is_one_object_not_an_equal_one() -> None:
    one, twin = [1], [1]
    kept, made = Kept(), Made()
    kept.of(Same(one), made)
    kept.of(Same(one), made)
    assert made.times == 1
    kept.of(Same(twin), made)
    assert made.times == 2


def test_an_equal_array_becomes_the_former_one() -> None:
    kept = Kept()
    first = np.arange(3.0)
    assert kept.alike("x", first) is first
    assert kept.alike("x", np.arange(3.0)) is first
    other = np.arange(3.0) + 1.0
    assert kept.alike("x", other) is other
    assert kept.alike("x", first) is first
    assert kept.alike("x", np.arange(4.0)).shape == (4,)
