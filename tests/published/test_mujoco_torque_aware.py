"""Torque-aware plans in MuJoCo (an independent engine), with the servos' torque-speed lines applied.

First by `mj_inverse`: what the planned motion takes at every millisecond lies within the line at that speed.
Then forward: servos cut off at their lines follow the motion without ever running out.
"""

from __future__ import annotations

import mujoco
import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.figure.model import Figure
from sequencer.figure.servo_line import line_at
from sequencer.figure.track_load import FigureLoads
from sequencer.motion.model import TrackPlan
from sequencer.motion.torque_aware import plan_scene_with_torque
from sequencer.motion.torque_rows import track_motion
from sequencer.motion.tracks import figure_tracks
from sequencer.timeline.model import GRID_S
from tests.figure.head_on_rods import head_on_rods
from tests.figure.in_mujoco import model_of, order
from tests.motion.jumps import all_aware, jumps
from tests.motion.two_axes import two_axes
from tests.pictures.tracking import follow

Array = NDArray[np.float64]
SECONDS = 6.0


def _plans(figure: Figure) -> dict[str, TrackPlan]:
    plans, reverted = plan_scene_with_torque(
        jumps(figure, 11, 0.7, SECONDS), figure_tracks(figure), FigureLoads(figure), figure.board.clock_error
    )
    assert reverted == []
    return plans


@pytest.fixture(scope="module")
def direct() -> tuple[Figure, dict[str, TrackPlan]]:
    figure = all_aware(two_axes())
    return figure, _plans(figure)


def test_inverse_dynamics_lie_within_the_line_at_every_sample(
    direct: tuple[Figure, dict[str, TrackPlan]],
) -> None:
    figure, plans = direct
    model = model_of(figure)
    data = mujoco.MjData(model)
    names = order(figure, model)
    time_s = np.arange(round(SECONDS / GRID_S)) * GRID_S
    moves = [track_motion([plans[name].spec], [plans[name].points.astype(float)], time_s) for name in names]
    homes = np.array([figure.axes[name].home_rad for name in names])
    most = 0.0
    for row in range(len(time_s)):
        data.qpos[:] = [move.angle[row, 0] for move in moves] - homes
        data.qvel[:] = [move.speed[row, 0] for move in moves]
        data.qacc[:] = [move.acceleration[row, 0] for move in moves]
        mujoco.mj_inverse(model, data)
        for column, name in enumerate(names):
            stall, no_load = line_at(figure, figure.servos[name])
            speed = float(data.qvel[column])
            torque = float(data.qfrc_inverse[column]) + figure.axes[name].friction_n_m * np.sign(speed)
            along = abs(speed) if torque * speed > 0.0 else 0.0
            left = stall * (1.0 - along / no_load)
            assert abs(torque) <= left, (name, time_s[row])
            most = max(most, abs(torque) / left)
    assert most > 0.7  # it does use what is there


def test_servos_cut_off_at_their_lines_follow(direct: tuple[Figure, dict[str, TrackPlan]]) -> None:
    figure, plans = direct
    time_s = np.arange(round(SECONDS / GRID_S)) * GRID_S
    asked = {
        name: track_motion([plan.spec], [plan.points.astype(float)], time_s).angle[:, 0]
        for name, plan in plans.items()
    }
    done = follow(figure, asked, asked)
    # A controller without integral or feed-forward gives torque by being off (3 degrees give all of it), and
    # swings about the motion: now and then it asks for more than the motion takes.
    assert done.share_saturated() < 0.05
    assert max(done.worst_deg(axis) for axis in asked) < 3.0
    # The judge does judge: the same motion in two thirds of the time is more than the servos have.
    hurried = {name: np.interp(1.5 * time_s, time_s, angle) for name, angle in asked.items()}
    beyond = follow(figure, hurried, hurried)
    assert beyond.share_saturated() > 3.0 * done.share_saturated()
    assert max(beyond.worst_deg(axis) for axis in asked) > 3.0 * max(done.worst_deg(axis) for axis in asked)


def test_through_pair_and_four_bar_they_follow() -> None:
    figure = all_aware(head_on_rods())
    plans = _plans(figure)
    time_s = np.arange(round(SECONDS / GRID_S)) * GRID_S
    servos = {
        plan.spec.servo: track_motion([plan.spec], [plan.points.astype(float)], time_s).angle[:, 0]
        for plan in plans.values()
    }
    poses = {}
    for link in FigureLoads(figure).linkages:
        turned = link.axis_rad(np.stack([servos[name] for name in link.servos], axis=1))
        poses.update({name: turned[:, index] for index, name in enumerate(link.axes)})
    done = follow(figure, servos, poses)
    assert done.share_saturated() == 0.0
    assert max(done.worst_deg(axis) for axis in poses) < 3.0
