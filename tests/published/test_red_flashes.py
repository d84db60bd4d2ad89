"""Red flashes as WCAG 2.x, success criterion 2.3.1, defines them (check-values 10, read in the standard).

A state is saturated red at R / (R + G + B) >= 0.8; a flash is a pair of opposing changes of (R - G - B) * 320
(negative values count as 0) by more than 20 that involve one.
"""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.check.light import count_red_flashes, red_flash_times

BLACK, RED = (0.0, 0.0, 0.0), (1.0, 0.0, 0.0)


def times(*states: tuple[float, float, float]) -> int:
    """Flashes in a sequence of states, five frames each."""
    return len(red_flash_times(np.repeat(np.array(states, dtype=float), 5, axis=0), 0.02))


@pytest.mark.parametrize(
    ("low", "high", "flash"),
    [
        (BLACK, RED, True),
        (BLACK, (20 / 320, 0, 0), False),  # 20 is not above 20
        (BLACK, (21 / 320, 0, 0), True),
        ((0.5, 0, 0), (0.55, 0, 0), False),  # 16 of 320
        ((0.5, 0, 0), (0.57, 0, 0), True),  # 22.4
        (BLACK, (0.8, 0.1, 0.1), True),  # 0.8 of the light is saturated, 192 of 320
        (BLACK, (0.79, 0.105, 0.105), False),  # 0.79 is not
        ((0, 1, 0), RED, True),  # from green: 0 (negative) to 320
        (BLACK, (0, 0, 1.0), False),  # blue
        (BLACK, (1.0, 1.0, 1.0), False),  # white is a general flash, not a red one
    ],
)
def test_what_is_a_red_flash(low, high, flash):
    assert times(low, high, low) == int(flash)


def test_a_pair_of_changes_is_one_flash():
    assert times(BLACK, RED) == 0
    assert times(BLACK, RED, BLACK, RED) == 1
    assert times(*(BLACK, RED) * 4, BLACK) == 4
    # by steps that are small alone
    assert times(BLACK, (0.05, 0, 0), (0.1, 0, 0), (0.05, 0, 0), BLACK) == 1


def test_at_most_three_in_any_second():
    for each, worst in ((8, 3), (5, 5)):  # so many frames of 20 ms up, and as many down
        wave = np.zeros((400, 3))
        wave[:, 0] = np.arange(400) // each % 2
        assert count_red_flashes([wave], 0.02).worst_count in (worst, worst + 1)
    assert count_red_flashes([], 0.02).worst_count == 0
