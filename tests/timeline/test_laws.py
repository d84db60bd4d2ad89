from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.timeline.curve import Bounds, Leg, State, brake_s, shortest_s
from sequencer.timeline.fastest import fastest_s
from sequencer.timeline.laws import LAWS, Law

every_law = pytest.mark.parametrize("law", LAWS.values(), ids=LAWS)


@every_law
def test_rises_from_rest_to_rest(law: Law) -> None:
    assert law.s([0.0, 1.0]) == pytest.approx([0, 1], abs=1e-12)
    assert law.v([0.0, 1.0]) == pytest.approx([0, 0], abs=1e-9)
    assert law.s([-3.0, 4.0]) == pytest.approx([0, 1], abs=1e-12)
    assert np.all(law.v([-0.1, 1.1]) == 0)
    assert np.all(np.diff(law.s(np.linspace(0, 1, 501))) > 0)


@every_law
def test_derivatives_are_those_of_the_position(law: Law) -> None:
    u = np.linspace(0.01, 0.99, 2001)
    u = u[np.min(np.abs(u[:, None] - np.array([0.125, 0.375, 0.5, 0.625, 0.875])), axis=1) > 2e-4]
    h = 1e-4
    for lower, upper in ((law.s, law.v), (law.v, law.a), (law.a, law.j)):
        slope = (lower(u + h) - lower(u - h)) / (2 * h)
        assert slope == pytest.approx(upper(u), abs=2e-4)


@every_law
def test_peaks_are_reached_and_never_passed(law: Law) -> None:
    u = np.linspace(0, 1, 100_001)
    for curve, peak in ((law.v, law.cv), (law.a, law.ca)):
        assert np.max(np.abs(curve(u))) == pytest.approx(peak, rel=1e-6)
    if math.isfinite(law.cj):
        assert np.max(np.abs(law.j(u))) == pytest.approx(law.cj, rel=1e-4)
        assert np.max(np.abs(law.j(u))) <= law.cj * (1 + 1e-12)


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(sorted(LAWS)),
    st.floats(1e-3, 500),
    st.floats(1, 1e3),
    st.floats(1, 1e4),
    st.floats(1, 1e6),
)
def test_shortest_and_farthest_are_each_others_inverse(
    word: str, d: float, v: float, a: float, j: float
) -> None:
    law = LAWS[word]
    t = law.shortest_s(d, v, a, j)
    assert law.farthest(t, v, a, j) == pytest.approx(d, rel=1e-9)
    used = [d * law.cv / t / v, d * law.ca / t**2 / a]
    if math.isfinite(law.cj):
        used.append(d * law.cj / t**3 / j)
    assert max(used) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("limits", [(0, 1, 1), (1, -1, 1), (1, 1, math.nan)])
def test_fastest_refuses_limits_that_are_not_positive(limits: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="positive"):
        fastest_s(1.0, *limits)


@settings(deadline=None, max_examples=40)
@given(
    st.floats(-60, 60), st.floats(-150, 150), st.floats(-1000, 1000), st.floats(-60, 60),
    st.sampled_from(["natural", "gentle", "smooth"]),
)  # fmt: skip
def test_an_interrupting_leg_joins_smoothly_and_arrives(
    p: float, v: float, a: float, q: float, word: str
) -> None:
    bounds = Bounds(200, 1500, 20000)
    state = State(p, v, a)
    duration = max(shortest_s(state, q, LAWS[word], bounds), 0.05)
    leg = Leg(2.0, duration, state, q, LAWS[word], min(brake_s(state, bounds), duration))
    at = np.array([2.0, 2.0 + duration])
    assert leg.at(at, 0) == pytest.approx([p, q], abs=1e-9)
    if not state.still:
        assert leg.at(at, 1) == pytest.approx([v, 0], abs=1e-9)
        assert leg.at(at, 2) == pytest.approx([a, 0], abs=1e-6)
    grid = np.linspace(2.0, 2.0 + duration, 4001)
    for order in (0, 1):
        slope = np.gradient(leg.at(grid, order), grid)[1:-1]
        assert slope == pytest.approx(
            leg.at(grid, order + 1)[1:-1], abs=max(1.0, np.max(np.abs(slope)) * 0.02)
        )


def test_the_shortest_interrupting_leg_keeps_its_limits() -> None:
    bounds = Bounds(200, 1500, 20000)
    for v in (-150.0, -20.0, 80.0, 180.0):
        for q in (-40.0, 0.5, 60.0):
            state = State(0.0, v, 0.0)
            t = shortest_s(state, q, LAWS["natural"], bounds)
            leg = Leg(0.0, t, state, q, LAWS["natural"], brake_s(state, bounds))
            grid = np.linspace(0, t, 5001)
            for order, limit in ((1, 200), (2, 1500), (3, 20000)):
                assert np.max(np.abs(leg.at(grid, order))) <= limit * 1.01
