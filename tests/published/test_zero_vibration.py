"""The zero-vibration shaper against its published numbers.

N. C. Singer and W. P. Seering, "Preshaping command inputs to reduce system vibration", ASME J. Dyn. Sys.
Meas. Control 112 (1990), from memory: K = exp(-z pi / sqrt(1 - z^2)), taps 1/(1+K) and K/(1+K), the second
at half a damped period; 2 Hz with z = 0.1 gives the values below, residual 0, and 13 % with
the mode 10 % off.
"""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.motion.shaper import left_over, zero_vibration


def test_two_hertz_with_a_tenth_of_critical_damping() -> None:
    (first, second), later_s = zero_vibration(2.0, 0.1)
    assert second / first == pytest.approx(0.7292476, abs=5e-8)
    assert (first, second) == pytest.approx((0.5782862, 0.4217138), abs=5e-8)
    assert later_s == pytest.approx(0.2512595, abs=5e-8)
    taps = np.array([first, second])
    assert left_over(taps, later_s, 2.0, 0.1) == pytest.approx(0.0, abs=1e-12)
    for frequency in (1.8, 2.2):
        assert left_over(taps, later_s, frequency, 0.1) == pytest.approx(0.13, abs=0.005)


def test_without_damping_the_taps_are_halves() -> None:
    assert zero_vibration(4.0, 0.0) == ((0.5, 0.5), 0.125)
