"""Forward simulation (MuJoCo, an independent engine): servos that are cut off at their torque-speed lines
follow the planned motion, and run out of torque on the wish as written. The README shows both."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer import show_folder
from sequencer.figure.limits import limits
from sequencer.figure.linkage import linkages
from sequencer.figure.model import Figure
from sequencer.timeline.model import GRID_S
from tests.figure.head_on_rods import head_on_rods
from tests.pictures.tracking import Followed, asked_servos, both, draw, follow, planned_squall

Array = NDArray[np.float64]
#: A proportional controller holds gravity by being off a little: at most a fifth of where it gives all.
STATED_DEG = 0.8


@pytest.fixture(scope="module")
def squall() -> tuple[Followed, Followed]:
    return both(planned_squall(show_folder.demo_folder()), "squall")


def test_the_planned_motion_is_followed(squall: tuple[Followed, Followed]) -> None:
    planned, _ = squall
    assert planned.share_saturated() == 0.0
    for axis in planned.done_rad:
        assert planned.worst_deg(axis) < STATED_DEG, axis


def test_the_raw_wish_runs_out_of_torque(squall: tuple[Followed, Followed]) -> None:
    planned, raw = squall
    assert raw.share_saturated() > 0.1
    assert raw.rms_deg("turn") > 20 * planned.rms_deg("turn")
    assert max(raw.worst_deg(axis) for axis in raw.done_rad) > 15.0


def test_the_picture_is_drawn_small(squall: tuple[Followed, Followed], tmp_path: Path) -> None:
    draw(*squall, "turn", tmp_path / "both.png")
    assert 10_000 < (tmp_path / "both.png").stat().st_size < 150_000


def _back_and_forth(figure: Figure, hurry: float) -> dict[str, Array]:
    """Each axis in turn to 60 % of its range and back by the 3-4-5 law, ``hurry`` times as fast as allowed.

    Peaks of the unit law: 1.875, 10/sqrt(3), 60 (Norton, Design of Machinery, from memory).
    """
    pieces: dict[str, list[Array]] = {name: [np.zeros(200)] for name in figure.axes}
    for name, axis in figure.axes.items():
        limit = limits(figure, name)
        rise = 0.6 * axis.range_rad[1]
        seconds = max(
            1.875 * rise / limit.velocity_rad_s,
            math.sqrt(10 / math.sqrt(3) * rise / limit.acceleration_rad_s2),
            (60 * rise / limit.jerk_rad_s3) ** (1 / 3),
        )
        u = np.linspace(0.0, 1.0, max(2, round(seconds / hurry / GRID_S)))
        up = rise * (10 * u**3 - 15 * u**4 + 6 * u**5)
        there = np.concatenate([up, np.full(150, rise), up[::-1], np.zeros(150)])
        for other in figure.axes:
            pieces[other].append(there if other == name else np.zeros(len(there)))
    return {name: np.concatenate(parts) for name, parts in pieces.items()}


def test_through_pair_and_four_bar_moves_within_limits_are_followed() -> None:
    figure = head_on_rods()
    assert {len(link.servos) for link in linkages(figure)} == {1, 2}
    asked = _back_and_forth(figure, 1.0)
    calm = follow(figure, asked_servos(figure, asked), asked)
    assert calm.share_saturated() == 0.0
    for axis in figure.axes:
        assert calm.worst_deg(axis) < 1.0, axis
    asked = _back_and_forth(figure, 5.0)
    wild = follow(figure, asked_servos(figure, asked), asked)
    assert wild.share_saturated() > 0.1
    for axis in figure.axes:
        assert wild.worst_deg(axis) > 3 * calm.worst_deg(axis), axis
