"""Taps on knots: what they keep, what they leave over, and that they are as few and as early as can be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.motion.model import Mode
from sequencer.motion.ringing import BAND_SHARE, direct_path, envelope
from sequencer.motion.shaper import (
    Wanted,
    lateness_knots,
    left_over,
    rounded_share,
    shaped,
    shortest,
    zero_vibration,
)
from tests.motion.conftest import Make

MODES = st.builds(Mode, st.floats(1.0, 5.0), st.floats(0.0, 0.3), st.floats(0.0, 0.15))
TAPS = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=9).filter(lambda each: sum(each) > 0.1)


@given(st.integers(0, 2**32 - 1), TAPS, st.booleans())
@settings(max_examples=60, deadline=None)
def test_whatever_holds_for_every_knot_still_holds(seed: int, weights: list[float], loop: bool) -> None:
    """Box, three differences and any polygon of a pair, on random points: averages of shifts keep them."""
    taps = tuple(np.array(weights) / sum(weights))
    random = np.random.default_rng(seed)
    pair = []
    for _ in range(2):
        points = np.cumsum(np.cumsum(random.normal(size=30)))
        pair.append(
            points[np.arange(33) % 30] if loop else np.concatenate([[0.0] * 3, points, [points[-1]] * 3])
        )
    after = [shaped(each, taps, loop) for each in pair]
    for before, now in zip(pair, after, strict=True):
        assert len(now) == len(before) + (0 if loop else len(taps) - 1)
        if loop:
            np.testing.assert_array_equal(now[-3:], now[:3])
        for order in range(4):
            inner, kept = np.diff(before, order), np.diff(now, order)
            room = 1e-9 * np.abs(before).max()
            lowest = min(inner.min(), 0.0) if order else inner.min()
            highest = max(inner.max(), 0.0) if order else inner.max()
            assert kept.min() >= lowest - room
            assert kept.max() <= highest + room
    for angle in random.uniform(0.0, math.tau, 8):
        a, b = math.cos(angle), math.sin(angle)
        room = 1e-9 * max(np.abs(each).max() for each in pair)
        assert (a * after[0] + b * after[1]).max() <= (a * pair[0] + b * pair[1]).max() + room


@given(MODES, st.floats(0.02, 0.9), st.sampled_from([0.02, 0.04, 0.06, 0.12]))
@settings(max_examples=40, deadline=None)
def test_little_is_left_anywhere_in_the_band(mode: Mode, share: float, knot_s: float) -> None:
    taps = shortest((Wanted(mode, share),), knot_s)
    if taps is None:
        assert mode.frequency_hz * knot_s > 0.3, "only a mode that is fast for these knots may have none"
        return
    assert min(taps) >= 0.0
    assert sum(taps) == pytest.approx(1.0)
    half = max(BAND_SHARE * mode.frequency_hz, mode.spread_hz)
    for frequency in np.linspace(mode.frequency_hz - half, mode.frequency_hz + half, 101):
        # between two of the frequencies that were asked for it may be a little more; AIM leaves room for it
        assert left_over(np.array(taps), knot_s, float(frequency), mode.damping) <= 1.1 * share + 1e-6


def test_one_tap_fewer_would_not_do() -> None:
    """Against all taps on a fine grid: none of one tap fewer reaches the share."""
    taps = shortest((Wanted(Mode(3.0, 0.0, 0.03), 0.5),), 0.06)
    assert taps is not None
    assert len(taps) == 4
    steps = 100
    all_three = [(a, b, steps - a - b) for a in range(steps + 1) for b in range(steps + 1 - a)]
    fewer = np.array(all_three, dtype=float) / steps
    left = [[left_over(each, 0.06, f, 0.03) for f in (2.7, 3.0, 3.3)] for each in fewer]
    assert np.max(left, axis=1).min() > 0.5


def test_on_a_grid_that_has_half_a_period_they_are_singer_and_seerings() -> None:
    """Where hardly more may be left than their pair leaves, the shortest answer is their pair."""
    taps, later_s = zero_vibration(2.0, 0.1)
    narrow = Mode(2.0, 0.0, 0.1)
    share = 1.02 * max(left_over(np.array(taps), later_s, f, 0.1) for f in (1.8, 2.2))
    found = shortest((Wanted(narrow, share),), later_s)
    assert found == pytest.approx(taps, abs=0.02)


def test_two_modes_share_their_taps() -> None:
    one, other = Mode(2.4, 0.0, 0.03), Mode(3.6, 0.0, 0.03)
    taps = shortest((Wanted(one, 0.1), Wanted(other, 0.2)), 0.06)
    assert taps is not None
    assert left_over(np.array(taps), 0.06, 2.4, 0.03) <= 0.1
    assert left_over(np.array(taps), 0.06, 3.6, 0.03) <= 0.2
    alone = [shortest((Wanted(mode, share),), 0.06) for mode, share in ((one, 0.1), (other, 0.2))]
    assert len(taps) <= sum(len(each or ()) for each in alone) - 1, "no longer than one after the other"


def test_a_mode_as_fast_as_the_knots_has_no_taps() -> None:
    assert shortest((Wanted(Mode(1.0 / 0.12, 0.0, 0.0), 0.5),), 0.12) is None


def test_nothing_moves_before_the_motion_does(make: Make) -> None:
    taps = shortest((Wanted(Mode(3.0, 0.0, 0.03), 0.1),), 0.12)
    assert taps is not None
    points = np.zeros(40)
    points[12:] = 1.0
    now = shaped(points, taps, False)
    assert (now[:12] == 0.0).all()
    assert now[12] > 0.0
    assert now[12 + len(taps) - 1 :] == pytest.approx(1.0)
    assert 0.0 < lateness_knots(taps) < len(taps) - 1


def test_what_is_left_is_what_the_measure_says(make: Make) -> None:
    spec = make.spec(6)
    points = np.zeros(40)
    points[12:] = 800.0
    taps = shortest((Wanted(Mode(3.0, 0.0, 0.03), 0.1),), spec.knot_s)
    assert taps is not None
    before = envelope(direct_path(spec, points, False), 3.2, 0.03)
    after = envelope(direct_path(spec, shaped(points, taps, False), False), 3.2, 0.03)
    share = left_over(np.array(taps), spec.knot_s, 3.2, 0.03)
    assert after[-1] == pytest.approx(share * before[-1], rel=1e-9)


def test_shares_are_rounded_down() -> None:
    for share in (0.9, 0.5, 0.01):
        assert 0.79 * share < rounded_share(share) <= share * (1.0 + 1e-12)
