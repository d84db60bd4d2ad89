"""WCAG 2.x success criterion 2.3.1 and its definition of a general flash, as worked examples.

Source: Web Content Accessibility Guidelines 2.2, "general flash and red flash thresholds".
"""

import numpy as np
import pytest

from sequencer.check.light import count_flashes, flash_times


@pytest.mark.parametrize(
    ("levels", "flashes"),
    [
        ((0.0, 0.09, 0.0), 0),  # a change below a tenth of the maximum is none
        ((0.0, 0.10, 0.0), 1),
        ((0.82, 1.0, 0.82), 0),  # the darker state is not below 0.80
        ((0.79, 0.89, 0.79), 1),
        ((0.0, 1.0), 0),  # one change is not a pair
    ],
)
def test_what_counts_as_a_flash(levels: tuple[float, ...], flashes: int) -> None:
    assert len(flash_times(np.array(levels), 0.1)) == flashes


def test_three_flashes_in_a_second_pass_and_four_do_not() -> None:
    def blink(count: int) -> np.ndarray:
        cycle = [0.0] * 2 + [1.0] * 2
        return np.array(cycle * count + [0.0] * 50)[:, None]

    assert count_flashes(blink(3), 0.02).worst_count == 3
    assert count_flashes(blink(4), 0.02).worst_count == 4


def test_a_slow_ramp_in_small_steps_is_one_change() -> None:
    triangle = np.concatenate([np.linspace(0, 1, 50), np.linspace(1, 0, 50)])
    assert len(flash_times(triangle, 0.02)) == 1


def test_lamps_together_count_once_and_apart_twice() -> None:
    one = np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert count_flashes(np.column_stack([one, one]), 0.02).worst_count == 1
    assert count_flashes(np.column_stack([one, np.roll(one, 4)]), 0.02).worst_count == 2
