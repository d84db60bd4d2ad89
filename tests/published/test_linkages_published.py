"""Linkages against numbers that others have worked out.

Crank and rod, the crank in an upright plane: computed apart from this project (check-values 4, X).
Four-bar: Norton, Design of Machinery, example 4-1 (from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.figure.crank import crank_rad, reach
from sequencer.figure.fourbar import FourBar, closures_rad
from sequencer.figure.model import Axis, Crank, FourBarDrive, Pair, PairDrive
from sequencer.figure.neck import Neck


def test_crank_and_rod_in_a_plane() -> None:
    x, y = np.array([30.0]), np.array([98.0])
    assert math.degrees(crank_rad(24, 100, x, y, -1.0)[0]) == pytest.approx(-4.33876, abs=5e-6)
    assert math.degrees(crank_rad(24, 100, x, y, 1.0)[0]) == pytest.approx(150.29771, abs=5e-6)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_unreachable_when_the_right_side_exceeds_the_left(side: float) -> None:
    """|a^2 + x^2 + y^2 - s^2| <= 2 a hypot(x, y) is where there is an answer, to the last digits."""
    crank, rod = 24.0, 100.0
    far = np.linspace(60.0, 140.0, 4001)
    x, y = far * math.cos(1.1), far * math.sin(1.1)
    right = np.abs(crank**2 + far**2 - rod**2)
    answers = np.isfinite(crank_rad(crank, rod, x, y, side))
    assert np.array_equal(answers, right <= 2.0 * crank * far)
    assert 0 < answers.sum() < len(far)
    assert np.array_equal(answers, np.abs(reach(crank, rod, x, y)) <= 1.0)


def _axis(name: str, direction: tuple[float, float, float], carried_by: str | None) -> Axis:
    return Axis(
        name=name,
        range_rad=(-0.5, 0.5),
        home_rad=0.0,
        parked_rad=0.0,
        words=("less", "more"),
        drive=PairDrive("neck"),
        direction=direction,
        pivot_m=(0.0, 0.0, 0.0),
        carried_by=carried_by,
        friction_n_m=0.0,
        friction_basis="guess",
        ramp_s=None,
        knot_frames=None,
    )


def test_crank_in_a_plane_turned_by_30_degrees() -> None:
    """l = (10, 5, 102), b = 30 deg, a = 24, s = 100: alpha = 6.72085 deg."""
    cranks = [
        Crank(
            servo=servo,
            pivot_m=(0.0, 0.0, 0.0),
            plane_rad=math.radians(turned),
            crank_m=0.024,
            rod_m=0.1,
            joint_m=joint,
        )
        for servo, turned, joint in (
            ("one", 30.0, (0.010, 0.005, 0.102)),
            ("two", 150.0, (-0.01, 0.005, 0.102)),
        )
    ]
    pair = Pair("neck", ("nod", "tilt"), (cranks[0], cranks[1]))
    neck = Neck(pair, _axis("nod", (0.0, 1.0, 0.0), None), _axis("tilt", (1.0, 0.0, 0.0), "nod"))
    assert math.degrees(neck.servo_rad(np.zeros((1, 2)))[0, 0]) == pytest.approx(6.72085, abs=5e-6)
    # Formula as published: alpha = asin(M / hypot(e, f)) - atan2(f, e).
    x, y, z = 10.0, 5.0, 102.0
    square = x * x + y * y + z * z - (100.0**2 - 24.0**2)
    e, f = 2 * 24 * z, 2 * 24 * (math.cos(math.radians(30)) * x + math.sin(math.radians(30)) * y)
    alpha = math.asin(square / math.hypot(e, f)) - math.atan2(f, e)
    assert neck.servo_rad(np.zeros((1, 2)))[0, 0] == pytest.approx(alpha, abs=1e-12)


NORTON = FourBarDrive("jaw", 0.040, 0.120, 0.080, 0.100, math.radians(40.0))


@pytest.mark.parametrize(
    ("crossed", "rocker_deg", "coupler_deg"), [(False, 57.3249, 20.2979), (True, -98.0050, -60.9780)]
)
def test_four_bar_of_the_textbook(crossed: bool, rocker_deg: float, coupler_deg: float) -> None:
    crank = np.radians([40.0])
    rocker = closures_rad(NORTON, crank)[int(crossed)]
    assert math.degrees(rocker[0]) == pytest.approx(rocker_deg, abs=6e-5)
    link = FourBar("jaw", NORTON)
    assert math.degrees(link.coupler_rad(crank, rocker)[0]) == pytest.approx(coupler_deg, abs=6e-5)


def test_constants_of_freudenstein() -> None:
    a, b, c, d = 40.0, 120.0, 80.0, 100.0
    assert (d / a, d / c, (a * a - b * b + c * c + d * d) / (2 * a * c)) == (2.5, 1.25, 0.5625)
    for rocker in closures_rad(NORTON, np.radians([40.0])):
        left = 2.5 * np.cos(rocker) - 1.25 * math.cos(math.radians(40)) + 0.5625
        assert left[0] == pytest.approx(math.cos(math.radians(40) - rocker[0]), abs=1e-12)
