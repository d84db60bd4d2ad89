"""What rings on after a move: the closed form against simulations, holds, loops, linkages."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from sequencer.figure.linkage import linkages
from sequencer.motion.model import Mode
from sequencer.motion.peak import evaluate, on_grid
from sequencer.motion.ringing import (
    LIMIT_RAD,
    Path,
    band,
    direct_path,
    envelope,
    linked_paths,
    residual_rad,
    rests,
)
from sequencer.motion.shaper import zero_vibration
from sequencer.motion.tracks import figure_tracks
from sequencer.show_folder import demo_folder, read_show
from tests.motion.conftest import Make
from tests.motion.flexible_neck import wobble


def _random_points(seed: int, knots: int, rest: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    moving = np.cumsum(np.cumsum(random.integers(-40, 41, knots)))
    moving = np.rint(2000.0 * moving / max(1, np.abs(moving).max())).astype(np.int64)
    return np.concatenate([[rest] * 3, rest + moving, [rest] * 3])


@given(st.integers(0, 2**32 - 1), st.floats(0.8, 9.0), st.floats(0.0, 0.4), st.sampled_from([1, 2, 3, 6]))
@settings(max_examples=25, deadline=None)
def test_the_closed_form_is_the_differential_equation(
    seed: int, frequency: float, damping: float, knot_frames: int
) -> None:
    """Runge-Kutta over the spline's own acceleration, knot by knot, to any damping and frequency."""
    spec = Make().spec(knot_frames, us_per_deg=40.0, low_deg=-20.0, high_deg=20.0)
    points = _random_points(seed, 12, spec.rest).astype(float)
    path = direct_path(spec, points, False)
    found = envelope(path, frequency, damping)
    omega = math.tau * frequency
    state = np.zeros(2)
    damped = omega * math.sqrt(1.0 - damping**2)
    scale = 1e-12 + found.max()
    for knot, (a, b) in enumerate(zip(path.acceleration[:-1], path.acceleration[1:], strict=True), start=1):

        def slope(t: float, x: np.ndarray, a: float = a, b: float = b) -> list[float]:
            return [x[1], -2 * damping * omega * x[1] - omega**2 * x[0] - (a + (b - a) * t / path.step_s)]

        answer = solve_ivp(slope, (0.0, path.step_s), state, rtol=1e-9, atol=1e-12 * scale, method="DOP853")
        state = answer.y[:, -1]
        free = math.hypot(state[0], (state[1] + damping * omega * state[0]) / damped)
        assert found[knot] == pytest.approx(free, abs=1e-6 * scale)


def test_nodes_are_the_splines_own() -> None:
    spec = Make().spec(6)
    points = _random_points(3, 10, spec.rest)
    path = direct_path(spec, points.astype(float), False)
    times = np.arange(len(path.angle_rad)) * path.step_s
    np.testing.assert_allclose(path.angle_rad, evaluate(spec, points, False, times), atol=1e-12)


def s_curve(step_s: float) -> tuple[np.ndarray, np.ndarray, int]:
    """40 degrees at 350 deg/s2 and 3500 deg/s3 and a second of standing: angle, acceleration, arrival."""
    acceleration, jerk = 350.0, 3500.0
    rise = acceleration / jerk
    # too short to reach 110 deg/s for long: distance = a (f + r)(f + 2 r)
    flat = (-3 * rise + math.sqrt(rise**2 + 4 * 40.0 / acceleration)) / 2
    ends = np.cumsum([0.0, rise, flat, rise, rise, flat, rise])
    heights = [0.0, acceleration, acceleration, 0.0, -acceleration, -acceleration, 0.0]
    a = np.interp(np.arange(0.0, ends[-1] + 1.0, step_s), ends, heights)
    return np.cumsum(np.cumsum(a)) * step_s**2, a, round(ends[-1] / step_s)


def test_a_40_degree_s_curve_rings_as_it_was_measured() -> None:
    """A 3 Hz mode with 3 % damping: half a degree; with zero-vibration taps 0.0003, and 0.07 at 10 % off."""
    step = 1e-4
    angle, a, end = s_curve(step)
    assert angle[-1] == pytest.approx(40.0, rel=1e-3)
    rang = math.degrees(envelope(Path(np.radians(angle), np.radians(a), step, False), 3.0, 0.03)[end])
    assert 0.45 < rang < 0.65
    crest = np.abs(wobble(angle, step, 3.0, 0.03))[end:].max()
    assert rang * math.exp(-0.03 * math.pi) <= crest <= rang  # it dies away until its first crest
    taps, later_s = zero_vibration(3.0, 0.03)
    later = round(later_s / step)
    shaped = taps[0] * a[later:] + taps[1] * a[:-later]
    shaped = np.concatenate([taps[0] * a[:later], shaped])
    path = Path(np.cumsum(np.cumsum(shaped)) * step**2, shaped, step, False)
    assert later_s == pytest.approx(0.17, abs=0.005)
    assert envelope(path, 3.0, 0.03)[end + later] < 0.0005
    worst = max(envelope(path, f, 0.03)[end + later] for f in (2.7, 3.3))
    assert worst == pytest.approx(0.07, abs=0.01)


def test_a_loop_has_been_going_round_for_ever() -> None:
    spec = Make().spec(6)
    points = np.rint(800 * np.sin(np.arange(25) * math.tau / 25) ** 3).astype(np.int64)
    wrapped = points[np.arange(28) % 25].astype(float)
    once = envelope(direct_path(spec, wrapped, True), 2.3, 0.03)
    # the same turn thirty times over, from rest
    many = points[np.arange(25 * 30 + 3) % 25].astype(float)
    path = direct_path(spec, many, False)
    np.testing.assert_allclose(envelope(path, 2.3, 0.03)[-26:], once, rtol=1e-4)
    assert once[0] == pytest.approx(once[-1], rel=1e-9)


def test_holds_begin_where_the_motion_ends_and_short_stops_do_not_count(make: Make) -> None:
    spec = make.spec(6)
    mode = Mode(2.0, 0.0, 0.03)
    points = np.zeros(80)
    points[10:] = 800.0  # a jump of the points: moves over four spans
    points[40:43] = 900.0
    points[43:] = 1000.0  # two jumps with hardly a stop between
    points[-10:] = 0.0
    found = rests(direct_path(spec, points, False), mode)
    assert [rest.node for rest in found] == [10, 43, 70]
    assert all(rest.residual_rad > LIMIT_RAD for rest in found)
    assert rests(direct_path(spec, np.zeros(80), False), mode) == ()
    assert residual_rad(direct_path(spec, np.zeros(80), False), mode) == 0.0


def test_a_scene_that_moves_to_its_end_rests_at_its_end(make: Make) -> None:
    spec = make.spec(6)
    points = np.concatenate([np.zeros(3), [400.0] * 20, np.zeros(3)])
    found = rests(direct_path(spec, points, False), Mode(2.0, 0.0, 0.03))
    assert found[-1].node == len(points) - 3
    assert found[-1].residual_rad > LIMIT_RAD


def test_a_loops_hold_over_the_seam_is_one(make: Make) -> None:
    spec = make.spec(6)
    points = np.zeros(60)
    points[20:40] = 500.0
    mode = Mode(2.0, 0.0, 0.03)
    whole = rests(direct_path(spec, points[np.arange(63) % 60], True), mode)
    shifted = np.roll(points, 30)
    again = rests(direct_path(spec, shifted[np.arange(63) % 60], True), mode)
    assert [rest.node for rest in whole] == [20, 40]
    assert sorted((rest.node - 30) % 60 for rest in again) == [20, 40]
    assert {round(r.residual_rad, 12) for r in whole} == {round(r.residual_rad, 12) for r in again}


def test_the_band_is_ten_percent_or_what_the_film_leaves_open() -> None:
    assert band(Mode(3.0, 0.05, 0.03))[[0, -1]] == pytest.approx([2.7, 3.3])
    assert band(Mode(3.0, 0.6, 0.03))[[0, -1]] == pytest.approx([2.4, 3.6])
    assert len(band(Mode(3.0, 0.6, 0.03))) >= 5
    assert band(Mode(3.0, 9.0, 0.03))[0] > 0.0


def test_through_a_linkage_the_angle_is_looked_at_closely_enough() -> None:
    """The Lantern Keeper's neck: the axes' own ringing against a simulation of the axes' own angles."""
    figure = read_show(demo_folder()).figure
    tracks = figure_tracks(figure)
    (link,) = (each for each in linkages(figure) if len(each.axes) == 2)
    specs = [next(spec for spec in tracks.specs.values() if spec.servo == servo) for servo in link.servos]
    points = [
        spec.rest + np.repeat([0, height, 0], [8, 12, 20])
        for spec, height in zip(specs, (500, 300), strict=True)
    ]
    paths = linked_paths(link, specs, [each.astype(float) for each in points], False, 3.3)
    served = np.stack([on_grid(spec, each, False) for spec, each in zip(specs, points, strict=True)], axis=1)
    angles = link.axis_rad(served, np.zeros_like(served))
    for column, path in enumerate(paths):
        found = rests(path, Mode(3.0, 0.0, 0.03))
        assert len(found) == 2
        for rest in found:
            off = wobble(angles[:, column], 0.001, rest.frequency_hz, 0.03)
            first = round(rest.time_s * 1000)
            seen = np.abs(off[first : first + round(1000 / rest.frequency_hz)]).max()
            assert 0.85 * rest.residual_rad <= seen <= 1.02 * rest.residual_rad
