"""Functions of moments: done again only where their arguments changed, and the same as done anew."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sequencer.check.moments import MOST, Momentary


class Asked:
    """Sum and product of rows; remembers how many rows it was asked for."""

    def __init__(self) -> None:
        self.rows: list[int] = []

    def __call__(self, one: np.ndarray, other: np.ndarray) -> list[np.ndarray]:
        self.rows.append(len(one))
        return [one + other.sum(axis=1), one * other.prod(axis=1)]


@given(st.integers(0, 10_000), st.lists(st.floats(0.0, 1.0), min_size=1, max_size=4))
def test_the_values_are_those_of_the_function(seed: int, shares: list[float]) -> None:
    random = np.random.default_rng(seed)
    one, other = random.standard_normal(40), random.standard_normal((40, 2))
    asked, plain = Asked(), Asked()
    again = Momentary(asked)
    again(one, other)
    for share in shares:
        one, other = one.copy(), other.copy()
        changed = random.random(40) < share
        (one if random.random() < 0.5 else other)[changed] += 1.0
        before = len(asked.rows)
        for mine, anew in zip(again(one, other), plain(one, other), strict=True):
            assert np.array_equal(mine, anew)
        wanted = int(changed.sum()) if changed.mean() <= MOST else 40
        assert asked.rows[before:] == ([wanted] if wanted else [])


def test_arrays_that_come_out_as_before_are_the_same_ones() -> None:
    again = Momentary(lambda x, y: [x * 2.0, y * 2.0])
    x, y = np.arange(10.0), np.arange(10.0)
    first = again(x, y)
    changed = y.copy()
    changed[3] = 7.0
    second = again(x.copy(), changed)
    assert second[0] is first[0]
    assert second[1] is not first[1]
    assert second[1][3] == 14.0
    assert first[1][3] == 6.0


def test_another_length_is_done_anew() -> None:
    asked = Asked()
    again = Momentary(asked)
    again(np.zeros(10), np.zeros((10, 2)))
    again(np.zeros(11), np.zeros((11, 2)))
    assert asked.rows == [10, 11]


def test_what_is_not_a_number_is_done_again() -> None:
    asked = Asked()
    again = Momentary(asked)
    one = np.zeros(10)
    one[4] = np.nan
    again(one, np.zeros((10, 2)))
    again(one.copy(), np.zeros((10, 2)))
    assert asked.rows == [10, 1]
