"""The prover against the oracle's formulas, and against what really gets played."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.player.player import Player
from tests.player import oracle
from tests.player.oracle import NONE, Activity, Show, control_points
from tests.player.shows import shows


def worst_of(show: Show, track: int, activity: Activity, end: int, start: list[int] | None) -> list[int]:
    """low, high, d1, d2, d3 of the points from the transition's window to its last faded difference."""
    n = show.tracks[track].knot_frames
    settled = [*([] if start is None else start)]
    windows = control_points(show, track, [activity], end + 3 * n)
    points = settled + [window[3] for window in windows[::n]][: end // n + 3]
    differences = [int(np.abs(np.diff(points, d)).max()) for d in (1, 2, 3)]
    return [min(points), max(points), *differences]


@settings(max_examples=30, deadline=None)
@given(shows(), st.integers(1, 8), st.integers(0, 5), st.sampled_from((1, 2, NONE)))
def test_leaving_is_the_worst_of_every_common_knot(show: Show, fade: int, delay: int, entered: int) -> None:
    player = Player(oracle.write(show))
    player.open()
    fade_in = show.scenes[2].fade_in
    got = player.prove_leaving(0, entered, 6 * fade, 6 * delay)
    if entered == NONE:
        delay = 0
    end = max(6 * fade, 6 * delay + (fade_in if entered == 2 else 0))
    for track, worst in enumerate(got):
        n = show.tracks[track].knot_frames
        every = []
        for clock in range(0, show.scenes[0].frames, 6):
            start = [oracle.point(show, 0, track, clock // n + i) for i in range(3)]
            leaving = Activity("leave", 0, 0, entered, 6 * fade, 6 * delay, clock)
            every.append(worst_of(show, track, leaving, end, start))
        table = np.array(every)
        expected = [table[:, 0].min(), *table[:, 1:].max(axis=0)]
        assert [worst.low, worst.high, worst.d1, worst.d2, worst.d3] == expected


@settings(max_examples=15, deadline=None)
@given(shows(), st.integers(1, 6))
def test_entering_and_settling(show: Show, knots: int) -> None:
    player = Player(oracle.write(show))
    player.open()
    entering = player.prove_entering(0, 6 * knots)
    settling = player.prove_settling(6 * knots)
    for track, spec in enumerate(show.tracks):
        start = [spec.rest] * 3
        expected = worst_of(show, track, Activity("enter", 0, left=0, fade=6 * knots), 6 * knots, start)
        got = entering[track]
        assert [got.low, got.high, got.d1, got.d2, got.d3] == expected
        every = []
        for parked in (spec.low, spec.high, spec.parked, (spec.low + spec.high) // 2):
            spec.parked, kept = parked, spec.parked
            every.append(worst_of(show, track, Activity("rest", 0, fade=6 * knots), 6 * knots, [parked] * 3))
            spec.parked = kept
        least, most = np.array(every).min(axis=0), np.array(every).max(axis=0)
        assert settling[track].low <= least[0]
        assert settling[track].high >= most[1]
        assert (settling[track].d1, settling[track].d2, settling[track].d3) >= tuple(most[2:3])
        assert settling[track].d3 >= most[4]


def test_what_cannot_be_proven_is_told() -> None:
    player = Player(None)
    player.open()
    with pytest.raises(ValueError, match="cannot prove"):
        player.prove_entering(0, 60)
