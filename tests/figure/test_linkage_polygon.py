"""A pair's polygon: convex, inside the ranges and the recorded ends for all of it, and hardly smaller."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import FigureError
from sequencer.figure.convex import area, clip, halves, hull, inside_curve, simpler, slack
from sequencer.figure.model import Figure
from sequencer.figure.polygon import LEAST_TOGGLE_RAD, ROOM_US, corner_loss, polygon, reach_of
from tests.figure.figure_map import FigureMap
from tests.figure.linkage_text import head

#: Heads that differ in what cuts their polygon: nothing, ends, crooked rods, a home off the middle.
HEADS = {
    "square": (),
    "ends": (("ends_us = [980, 2020]", "ends_us = [1150, 1900]"), ("[-28, 26]", "[-15, 15]")),
    "crooked": (
        ("axle_mm = [2, 34, -90]", "axle_mm = [-78, 30, -70]"),
        ("plane_deg = 180", "plane_deg = 20"),
        ("rod_mm = 90", "rod_mm = 70.1"),
    ),
    "home off the middle": (("[-28, 26]", "[-28, 26]\nhome_deg = 8\nparked_deg = 20"),),
    "wide": (
        ("[-28, 26]", "[-38, 34]"),
        ("[-22, 22]", "[-34, 34]"),
        *((("[980, 2020]", "[600, 2400]"),) * 2),
    ),
}


def inner_points(figure: Figure, count: int) -> np.ndarray:
    """Random points of the polygon, its corners among them."""
    corners = np.array(reach_of(figure, "neck").vertices_us)
    weights = np.random.default_rng(7).dirichlet(np.full(len(corners), 0.4), count)
    return np.concatenate([corners, weights @ corners])


@pytest.mark.parametrize("name", HEADS)
def test_every_pair_of_pulses_inside_is_a_pose_inside(name: str) -> None:
    figure = head(*HEADS[name])
    points = inner_points(figure, 20_000)
    for half in polygon(figure, "neck"):
        assert (half.track_a, half.track_b) == ("left", "right")
        assert math.hypot(half.a, half.b) == pytest.approx(1.0)
        assert np.all(half.a * points[:, 0] + half.b * points[:, 1] <= half.limit + 1e-6)
    for column, servo in enumerate(("left", "right")):
        ends = figure.servos[servo].ends_us
        assert ends is not None
        assert ends[0] <= points[:, column].min() <= points[:, column].max() <= ends[1]
    found = FigureMap(figure).axis_rad({"left": points[:, 0], "right": points[:, 1]})
    for axis in ("nod", "tilt"):
        low, high = figure.axes[axis].range_rad
        assert low <= found[axis].min() <= found[axis].max() <= high
    toggles = FigureMap(figure).linkage("nod").toggle_rad(np.column_stack([found["nod"], found["tilt"]]))
    assert toggles.min() >= LEAST_TOGGLE_RAD - 1e-6


@pytest.mark.parametrize("name", HEADS)
def test_home_and_parked_are_inside(name: str) -> None:
    figure = head(*HEADS[name])
    whole = FigureMap(figure)
    for which in ("home_rad", "parked_rad"):
        pulses = whole.pulse_us({a: np.array([getattr(figure.axes[a], which)]) for a in ("nod", "tilt")})
        for half in polygon(figure, "neck"):
            assert half.a * pulses["left"][0] + half.b * pulses["right"][0] <= half.limit - ROOM_US + 1e-6


def test_little_is_lost_at_the_corners_of_a_square_head() -> None:
    corners = corner_loss(head(), "neck")
    assert len(corners) == 8
    assert min(corner.share for corner in corners) > 0.9
    assert len(polygon(head(), "neck")) <= 8


def test_shares_are_where_the_ray_leaves_the_polygon() -> None:
    figure = head(*HEADS["ends"])
    sides = [(half.a, half.b, half.limit) for half in polygon(figure, "neck")]
    whole = FigureMap(figure)
    for corner in corner_loss(figure, "neck"):
        for share, inside in ((corner.share - 0.004, True), (corner.share + 0.004, False)):
            if corner.share == 1.0 and not inside:
                continue
            pose = {
                a: np.array([share * angle])
                for a, angle in zip(("nod", "tilt"), corner.axis_rad, strict=True)
            }
            pulses = whole.pulse_us(pose)
            depth = slack(sides, np.array([[pulses["left"][0], pulses["right"][0]]]))[0]
            assert (depth >= 0.0) == inside


def test_home_at_the_border_is_refused_with_what_to_move() -> None:
    with pytest.raises(FigureError) as caught:
        head(("[-28, 26]", "[-28, 26]\nparked_deg = 26"), ("[-22, 22]", "[-22, 22]\nparked_deg = 22"))
    assert "parked" in str(caught.value)
    assert caught.value.faults[0].remedy


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.3, 1.0), min_size=12, max_size=40))
def test_a_polygon_inside_any_star_holds_none_of_its_points(radii: list[float]) -> None:
    turns = np.linspace(0.0, math.tau, len(radii), endpoint=False)
    curve = np.column_stack([np.cos(turns), np.sin(turns)]) * np.array(radii)[:, None]
    # Sampled densely, as a figure's border is.
    fine = np.concatenate(
        [
            a + np.linspace(0.0, 1.0, 20, endpoint=False)[:, None] * (b - a)
            for a, b in zip(curve, np.roll(curve, -1, 0), strict=True)
        ]
    )
    keep = np.zeros((1, 2))
    found = inside_curve(fine, keep, 0.01)
    if len(found) == 0:
        return
    sides = halves(found)
    assert slack(sides, keep)[0] >= 0.01 - 1e-9
    assert slack(sides, fine).max() <= 1e-6
    fewer = simpler(found, 6, keep, 0.01)
    assert area(fewer) <= area(found) + 1e-12
    assert slack(sides, fewer).min() >= -1e-9
    assert slack(halves(fewer), keep)[0] >= 0.01 - 1e-9


def test_hull_and_clip() -> None:
    square = hull(np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0.5, 0.5], [0.5, 0.0]], dtype=float))
    assert len(square) == 4
    assert area(square) == pytest.approx(1.0)
    assert area(clip(square, (1.0, 0.0, 0.25))) == pytest.approx(0.25)
    assert len(clip(square, (1.0, 0.0, -1.0))) == 0
    corner = clip(square, (math.sqrt(0.5), math.sqrt(0.5), math.sqrt(0.5)))
    assert area(corner) == pytest.approx(0.5)


@pytest.mark.parametrize("seed", range(3))
def test_crooked_heads_are_refused_with_a_remedy_or_kept_inside(seed: int) -> None:
    """Axles, joints, rods and ranges as a careless builder may write them."""
    rng = np.random.default_rng(seed)
    kept = 0
    refused: list[str | None] = []
    for _ in range(8):
        changes = [("rod_mm = 90", f"rod_mm = {90 + rng.normal(0, 5):.1f}")]
        changes.append(("plane_deg = 180", f"plane_deg = {180 + rng.normal(0, 30):.0f}"))
        changes += [("ends_us = [980, 2020]", f"ends_us = [{rng.integers(600, 1100)}, 2100]")]
        for y in (34, -34):
            x, z = 2 + rng.normal(0, 15), -90 + rng.normal(0, 8)
            changes.append((f"axle_mm = [2, {y}, -90]", f"axle_mm = [{x:.1f}, {y}, {z:.1f}]"))
            changes.append((f"joint_mm = [-38, {y}, 0]", f"joint_mm = [-38, {y}, {rng.normal(0, 8):.1f}]"))
        changes.append(("[-28, 26]", f"[{-rng.uniform(5, 25):.1f}, {rng.uniform(5, 25):.1f}]"))
        try:
            figure = head(*changes)
        except FigureError as error:
            refused += [fault.remedy for fault in error.faults]
            continue
        kept += 1
        points = inner_points(figure, 500)
        found = FigureMap(figure).axis_rad({"left": points[:, 0], "right": points[:, 1]})
        for axis in ("nod", "tilt"):
            low, high = figure.axes[axis].range_rad
            assert low <= found[axis].min() <= found[axis].max() <= high
    assert kept > 0
    assert all(refused)
