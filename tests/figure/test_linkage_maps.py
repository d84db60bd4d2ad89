"""Linkages there and back: closures, Jacobians, and that both sides of the map are the same mechanism."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.figure.fourbar import FourBar, closures_rad
from sequencer.figure.gearing import gearing
from sequencer.figure.linkage import Linkage, linkage_of, linkages
from sequencer.figure.model import DirectDrive, Figure, FourBarDrive
from sequencer.figure.neck import Neck
from sequencer.figure.physics import rotations
from sequencer.figure.polygon import reach_of
from sequencer.figure.tracks import track_maps
from tests.figure.figure_map import FigureMap
from tests.figure.linkage_text import head

LENGTH = st.floats(0.01, 0.2)
FIGURE = head()


def neck_of(figure: Figure) -> Neck:
    link = linkage_of(figure, "nod")
    assert isinstance(link, Neck)
    return link


def poses(figure: Figure, count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    ranges = [figure.axes[name].range_rad for name in ("nod", "tilt")]
    return np.column_stack([rng.uniform(low, high, count) for low, high in ranges])


def slopes_by_differences(link: Linkage, angles: np.ndarray) -> np.ndarray:
    step = 1e-6
    columns = []
    for column in range(angles.shape[1]):
        aside = np.zeros(angles.shape[1])
        aside[column] = step
        columns.append((link.servo_rad(angles + aside) - link.servo_rad(angles - aside)) / (2.0 * step))
    return np.stack(columns, axis=2)


@settings(max_examples=200, deadline=None)
@given(a=LENGTH, b=LENGTH, c=LENGTH, d=LENGTH, turned=st.floats(-math.pi, math.pi))
def test_freudenstein_closes_over_random_four_bars(
    a: float, b: float, c: float, d: float, turned: float
) -> None:
    drive = FourBarDrive("jaw", a, b, c, d, turned)
    crank = np.linspace(-math.pi, math.pi, 97)
    for rocker in closures_rad(drive, crank):
        known = np.isfinite(rocker)
        left = d / a * np.cos(rocker) - d / c * np.cos(crank)
        left += (a * a - b * b + c * c + d * d) / (2 * a * c)
        # Scaled back to lengths: the constants of short links are large.
        scale = max(d / a, d / c, 1.0)
        assert np.all(np.abs(left - np.cos(crank - rocker))[known] <= 1e-6 * scale)
        tips = np.hypot(d + c * np.cos(rocker) - a * np.cos(crank), c * np.sin(rocker) - a * np.sin(crank))
        assert np.all(np.abs(tips - b)[known] <= 1e-7)


@settings(max_examples=150, deadline=None)
@given(
    a=LENGTH,
    b=LENGTH,
    c=LENGTH,
    d=LENGTH,
    turned=st.floats(-math.pi, math.pi),
    crossed=st.booleans(),
    inverted=st.booleans(),
)
def test_four_bars_there_and_back(
    a: float, b: float, c: float, d: float, turned: float, crossed: bool, inverted: bool
) -> None:
    link = FourBar("jaw", FourBarDrive("jaw", a, b, c, d, turned, crossed, inverted))
    if not math.isfinite(link.rocker_at_centre_rad):
        return
    angles = np.linspace(-0.4, 0.4, 41)[:, None]
    servo = link.servo_rad(angles)
    fine = np.isfinite(servo[:, 0]) & (link.toggle_rad(angles) > math.radians(5.0))
    assert np.all(np.abs(link.axis_rad(servo) - angles)[fine] <= 1e-9)
    slopes = link.jacobian(angles)[fine]
    by_hand = slopes_by_differences(link, angles)[fine]
    assert np.all(np.abs(slopes - by_hand) <= 1e-5 * (1.0 + np.abs(slopes)) ** 3)


def test_a_four_bar_is_zero_at_its_centre_and_turns_the_way_it_says() -> None:
    link = linkage_of(FIGURE, "jaw")
    assert isinstance(link, FourBar)
    assert link.servo_rad(np.zeros((1, 1)))[0, 0] == pytest.approx(0.0, abs=1e-12)
    assert link.servo_rad(np.array([[0.2]]))[0, 0] > 0.2
    other = FourBar("jaw", dataclasses.replace(link.drive, inverted=True))
    assert other.servo_rad(np.array([[0.2]])) == pytest.approx(link.servo_rad(np.array([[-0.2]])))


def test_a_four_bar_ends_at_its_toggles() -> None:
    link = linkage_of(FIGURE, "jaw")
    angles = np.radians(np.linspace(-150.0, 150.0, 3001))[:, None]
    servo, toggle = link.servo_rad(angles)[:, 0], link.toggle_rad(angles)
    known = np.isfinite(servo)
    assert 0 < known.sum() < len(angles)
    assert np.array_equal(known, np.isfinite(toggle))
    edges = np.flatnonzero(np.diff(known.astype(int)))
    for edge in edges:
        assert min(toggle[edge : edge + 2][np.isfinite(toggle[edge : edge + 2])]) < math.radians(5.0)


def test_the_pair_there_and_back_to_a_billionth() -> None:
    link = neck_of(FIGURE)
    asked = poses(FIGURE, 20_000, 1)
    servo = link.servo_rad(asked)
    assert np.all(np.isfinite(servo))
    assert np.max(np.abs(link.axis_rad(servo) - asked)) <= 1e-9
    near = asked + np.random.default_rng(2).normal(0.0, 0.05, asked.shape)
    assert np.max(np.abs(link.axis_rad(servo, near) - asked)) <= 1e-12


def test_the_pairs_jacobian_is_that_of_the_map() -> None:
    link = neck_of(FIGURE)
    asked = poses(FIGURE, 500, 3)
    assert np.max(np.abs(link.jacobian(asked) - slopes_by_differences(link, asked))) <= 1e-7


def test_rods_keep_their_length_when_the_head_is_turned_as_the_chain_turns_it() -> None:
    """The joint, moved by R_nod R_tilt as physics does, is a rod away from the tip of its crank."""
    link = neck_of(FIGURE)
    asked = poses(FIGURE, 200, 4)
    nod, tilt = FIGURE.axes["nod"], FIGURE.axes["tilt"]
    turned = rotations(nod.direction, asked[:, 0]) @ rotations(tilt.direction, asked[:, 1])
    servo = link.servo_rad(asked)
    for index, crank in enumerate(FIGURE.pairs["neck"].cranks):
        joint = turned @ np.array(crank.joint_m)
        angle = crank.at_centre_rad + servo[:, index]
        ahead = np.array([math.cos(crank.plane_rad), math.sin(crank.plane_rad), 0.0])
        tip = (
            np.array(crank.pivot_m)
            + crank.crank_m * np.cos(angle)[:, None] * ahead
            + crank.crank_m * np.sin(angle)[:, None] * np.array([0.0, 0.0, 1.0])
        )
        assert np.linalg.norm(joint - tip, axis=1) == pytest.approx(crank.rod_m, abs=1e-12)


def test_home_is_where_the_joints_were_measured() -> None:
    """A home that is not 0 turns nothing: joint_mm was measured there."""
    figure = head(
        ('range_deg = [-28, 26]\nwords = ["up"', 'range_deg = [-18, 36]\nhome_deg = 10\nwords = ["up"')
    )
    assert neck_of(figure).servo_rad(np.array([[math.radians(10.0), 0.0]])) == pytest.approx(0.0, abs=1e-12)


def test_both_cranks_up_nod_down_and_the_left_one_alone_tilts_right() -> None:
    link = neck_of(FIGURE)
    pose = link.axis_rad(np.array([[0.3, 0.3], [0.3, -0.3]]))
    assert pose[0, 0] > 0.25
    assert pose[0, 1] == pytest.approx(0.0, abs=1e-9)
    assert pose[1, 1] > 0.25
    assert abs(pose[1, 0]) < 0.05


def test_out_of_reach_is_nan_and_never_a_wrong_pose() -> None:
    link = neck_of(FIGURE)
    assert np.isnan(link.servo_rad(np.radians([[60.0, 60.0]]))).any()
    wild = np.random.default_rng(5).uniform(-math.pi, math.pi, (2000, 2))
    reached = link.axis_rad(wild)
    known = np.isfinite(reached).all(axis=1)
    assert 0 < known.sum() < len(wild)
    assert np.isnan(reached[~known]).all()
    back = link.servo_rad(reached[known])
    assert np.max(np.abs(np.remainder(back - wild[known] + math.pi, math.tau) - math.pi)) < 1e-6


def test_every_axis_is_in_one_linkage() -> None:
    assert [link.axes for link in linkages(FIGURE)] == [("nod", "tilt"), ("jaw",)]
    assert [link.servos for link in linkages(FIGURE)] == [("left", "right"), ("jaw",)]
    with pytest.raises(KeyError):
        linkage_of(FIGURE, "ears")


def test_tracks_and_pulses() -> None:
    tracks = track_maps(FIGURE)
    assert list(tracks) == ["left", "right", "jaw"]
    assert tracks["left"].axis == "neck"
    assert tracks["left"].us_per_rad == FIGURE.servos["left"].us_per_rad
    assert tracks["left"].rest_us == pytest.approx(1500.0)
    assert tracks["jaw"].axis == "jaw"
    assert (tracks["jaw"].low_us, tracks["jaw"].high_us) == pytest.approx((1400.0, 1686.457), abs=1e-3)
    whole = FigureMap(FIGURE)
    asked = {"nod": np.array([0.1, -0.2]), "tilt": np.array([0.2, 0.1]), "jaw": np.array([0.0, 0.3])}
    pulses = whole.pulse_us(asked)
    assert set(pulses) == {"left", "right", "jaw"}
    back = whole.axis_rad(pulses)
    for name, angles in asked.items():
        assert back[name] == pytest.approx(angles, abs=1e-12)
    assert set(whole.axis_rad({"left": pulses["left"]})) == set()
    link = whole.linkage("nod")
    step = 1e-6
    aside = whole.pulse_us({**asked, "nod": asked["nod"] + step})
    slopes = whole.jacobian_us(link, asked)
    assert (aside["right"] - pulses["right"]) / step == pytest.approx(slopes[:, 1, 0], rel=1e-4)


def test_a_direct_axis_is_affine() -> None:
    """The map of an axis with a ratio, and the name of its track."""
    figure = head(
        ('drive = { linkage = "mouth" }', 'drive = { servo = "jaw", ratio = 1.5 }'),
        ('[linkages.mouth]\nkind = "fourbar"\nservo = "jaw"\n', ""),
        ("crank_mm = 14\ncoupler_mm = 42\nrocker_mm = 16\nground_mm = 42\ncrank_deg = 76\n", ""),
    )
    assert isinstance(figure.axes["jaw"].drive, DirectDrive)
    pulses = FigureMap(figure).pulse_us({"jaw": np.radians([0.0, 10.0])})["jaw"]
    assert pulses == pytest.approx([1400.0, 1550.0])
    assert gearing(figure, "jaw")["jaw"].load == pytest.approx(1.0 / 1.5)


def test_gears_are_the_worst_of_the_jacobian() -> None:
    link = neck_of(FIGURE)
    inside = reach_of(FIGURE, "neck").border_rad[::7]
    slopes = link.jacobian(inside)
    for column, axis in enumerate(("nod", "tilt")):
        for row, servo in enumerate(("left", "right")):
            gear = gearing(FIGURE, axis)[servo]
            assert gear.speed >= np.abs(slopes[:, row, column]).max() * 0.995
            assert gear.load >= np.abs(np.linalg.inv(slopes)[:, column, row]).max() * 0.995
            assert gear.least_speed <= np.abs(slopes[:, row, column]).min() * 1.005
