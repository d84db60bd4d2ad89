"""Our inverse dynamics against MuJoCo's (`mj_inverse`, an independent engine), servo torques by statics.

The servos' torques are not computed by virtual work here but by the forces in the rods: what they push
the head with, found from MuJoCo's own Jacobians of the rod ends, and what they ask of the cranks.
"""

from __future__ import annotations

import math
from pathlib import Path

import mujoco
import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.figure.dynamics import Dynamics
from sequencer.figure.model import Crank, Figure, FourBarDrive
from sequencer.figure.polygon import reach_of
from sequencer.figure.read import read_figure
from tests.figure.head_on_rods import head_on_rods, turn_above
from tests.figure.in_mujoco import model_of, order

Array = NDArray[np.float64]
ROOT = Path(__file__).parents[2]
STATES = 1000


def _states(figure: Figure, seed: int) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
    source = np.random.default_rng(seed)
    q = {name: source.uniform(*axis.range_rad, STATES) for name, axis in figure.axes.items()}
    for pair in figure.pairs.values():
        # Poses that a pair can be given: mixed from the corners of what its tracks allow.
        border = reach_of(figure, pair.name).border_rad
        mixed = border[source.integers(0, len(border), STATES)] * source.uniform(0, 1, (STATES, 1))
        q.update({name: mixed[:, index] for index, name in enumerate(pair.axes)})
    qd = {name: source.normal(0, 3, STATES) for name in figure.axes}
    qdd = {name: source.normal(0, 40, STATES) for name in figure.axes}
    return q, qd, qdd


def _inverse(
    figure: Figure, q: dict[str, Array], qd: dict[str, Array], qdd: dict[str, Array]
) -> tuple[mujoco.MjModel, list[str], Array, dict[str, Array]]:
    """Joint torques by mj_inverse (n, joints), and Jacobians of the rod ends (n, 3, joints) by servo."""
    model = model_of(figure)
    names = order(figure, model)
    data = mujoco.MjData(model)
    torques = np.zeros((STATES, model.nv))
    ends = {crank.servo: np.zeros((STATES, 3, model.nv)) for p in figure.pairs.values() for crank in p.cranks}
    for row in range(STATES):
        data.qpos[:] = [q[name][row] - figure.axes[name].home_rad for name in names]
        data.qvel[:] = [qd[name][row] for name in names]
        data.qacc[:] = [qdd[name][row] for name in names]
        mujoco.mj_inverse(model, data)
        torques[row] = data.qfrc_inverse
        for servo, jacobians in ends.items():
            site = mujoco.mj_name2id(model, mujoco.mjtObj.mjOBJ_SITE, servo)
            mujoco.mj_jacSite(model, data, jacobians[row], None, site)
    return model, names, torques, ends


def _close(ours: Array, theirs: Array) -> float:
    """Worst difference over the size of what is compared."""
    return float(np.abs(ours - theirs).max() / np.sqrt(np.mean(theirs**2)))


@pytest.mark.parametrize("which", ["keeper", "rods"])
def test_joint_torques_agree(which: str) -> None:
    figure = head_on_rods() if which == "rods" else read_figure(ROOT / "shows" / "lantern_keeper")
    q, qd, qdd = _states(figure, 11)
    _, names, theirs, _ = _inverse(figure, q, qd, qdd)
    ours = Dynamics(figure).axis_torque(q, qd, qdd, friction=False)
    for column, name in enumerate(names):
        # MuJoCo counts drag among the joint's passive forces, we among friction.
        with_drag = ours[name] + figure.axes[name].viscous_n_m_s * qd[name]
        assert _close(with_drag, theirs[:, column]) < 1e-9, name


def test_inertia_matrix_agrees() -> None:
    figure = head_on_rods()
    dynamics = Dynamics(figure)
    q, _, _ = _states(figure, 12)
    matrices = dynamics.inertia_matrix(q)
    model = model_of(figure)
    data = mujoco.MjData(model)
    places = [dynamics.axes.index(name) for name in order(figure, model)]
    full = np.zeros((model.nv, model.nv))
    for row in range(0, STATES, 20):
        data.qpos[:] = [q[name][row] - figure.axes[name].home_rad for name in order(figure, model)]
        mujoco.mj_forward(model, data)
        mujoco.mj_fullM(model, data, full)
        assert matrices[row][np.ix_(places, places)] == pytest.approx(full, rel=1e-9, abs=1e-12)


def _crank_statics(
    crank: Crank, model: mujoco.MjModel, data: mujoco.MjData, carrier: str | None, side: float
) -> tuple[Array, float]:
    """Unit vector of the rod toward the head, in the world, and the servo's torque per newton in it."""
    site = data.site(crank.servo).xpos
    body = data.body(carrier or "world")
    home = model.body_pos[body.id] if model.body_parentid[body.id] == 0 else np.zeros(3)
    turn = body.xmat.reshape(3, 3)
    end = turn.T @ (site - body.xpos) + home - np.array(crank.pivot_m)
    ahead = np.array([math.cos(crank.plane_rad), math.sin(crank.plane_rad), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    # |end - a (ahead cos t + up sin t)|^2 = s^2, a sum of a cosine and a sine of t.
    c, s = end @ ahead, end @ up
    right = (end @ end + crank.crank_m**2 - crank.rod_m**2) / (2.0 * crank.crank_m)
    angle = math.atan2(s, c) + side * math.acos(right / math.hypot(c, s))
    tip = crank.crank_m * (math.cos(angle) * ahead + math.sin(angle) * up)
    moving = crank.crank_m * (-math.sin(angle) * ahead + math.cos(angle) * up)
    assert np.linalg.norm(end - tip) == pytest.approx(crank.rod_m, rel=1e-12)
    rod = (end - tip) / crank.rod_m
    return turn @ rod, float(rod @ moving)


def _home_side(crank: Crank) -> float:
    """On which side of the rod's end the crank lies at home."""
    end = np.array(crank.joint_m) - np.array(crank.pivot_m)
    ahead = np.array([math.cos(crank.plane_rad), math.sin(crank.plane_rad), 0.0])
    return math.copysign(1.0, math.sin(crank.at_centre_rad - math.atan2(end[2], end @ ahead)))


@pytest.mark.parametrize("which", ["turn below", "turn above", "keeper"])
def test_servo_torques_through_the_pair_agree(which: str) -> None:
    figure = head_on_rods()
    if which == "turn above":
        figure = turn_above(figure)
    elif which == "keeper":
        figure = read_figure(ROOT / "shows" / "lantern_keeper")
    pair = figure.pairs["neck"]
    q, qd, qdd = _states(figure, 13)
    model, names, theirs, ends = _inverse(figure, q, qd, qdd)
    data = mujoco.MjData(model)
    columns = [names.index(name) for name in pair.axes]
    servos = {crank.servo: np.zeros(STATES) for crank in pair.cranks}
    for row in range(STATES):
        data.qpos[:] = [q[name][row] - figure.axes[name].home_rad for name in names]
        mujoco.mj_kinematics(model, data)
        pushes = np.zeros((2, 2))
        levers = np.zeros(2)
        for index, crank in enumerate(pair.cranks):
            rod, levers[index] = _crank_statics(
                crank, model, data, figure.axes["nod"].carried_by, _home_side(crank)
            )
            pushes[:, index] = (ends[crank.servo][row].T @ rod)[columns]
        forces = np.linalg.solve(pushes, theirs[row][columns])
        for index, crank in enumerate(pair.cranks):
            servos[crank.servo][row] = forces[index] * levers[index]
    ours = Dynamics(figure).servo_torque(q, qd, qdd, friction=False)
    drag = Dynamics(figure).at_servos(
        q, {name: axis.viscous_n_m_s * qd[name] for name, axis in figure.axes.items()}
    )
    for name, torque in servos.items():
        assert _close(ours[name] + drag[name], torque) < 1e-6, name


def test_servo_torque_through_the_four_bar_agrees() -> None:
    """The coupler's force from the jaw's torque, then its moment about the servo: plane statics."""
    figure = head_on_rods()
    drive = figure.axes["jaw"].drive
    assert isinstance(drive, FourBarDrive)
    q, qd, qdd = _states(figure, 14)
    _, names, theirs, _ = _inverse(figure, q, qd, qdd)
    jaw_torque = theirs[:, names.index("jaw")]
    ground = np.array([drive.ground_m, 0.0])

    def tip(length: float, angle: float) -> Array:
        return length * np.array([math.cos(angle), math.sin(angle)])

    # The rocker at the centre: where two circles meet, on the open side (above the line from tip to pivot).
    crank0 = tip(drive.crank_m, drive.crank_at_centre_rad)
    between = ground - crank0
    apart = float(np.hypot(*between))
    along = (drive.coupler_m**2 - drive.rocker_m**2 + apart**2) / (2 * apart)
    height = math.sqrt(drive.coupler_m**2 - along**2)
    unit = between / apart
    meet = crank0 + along * unit + height * np.array([-unit[1], unit[0]])
    rocker0 = math.atan2(*(meet - ground)[::-1])
    servo = np.zeros(STATES)
    for row in range(STATES):
        rocker = rocker0 + float(q["jaw"][row])
        end = ground + tip(drive.rocker_m, rocker)
        reach = float(np.hypot(*end))
        inner = math.acos((reach**2 + drive.crank_m**2 - drive.coupler_m**2) / (2 * reach * drive.crank_m))
        heading = math.atan2(end[1], end[0])
        angle = min(
            (heading + inner, heading - inner),
            key=lambda t: abs(math.remainder(t - drive.crank_at_centre_rad, math.tau)),
        )
        coupler = (end - tip(drive.crank_m, angle)) / drive.coupler_m
        force = jaw_torque[row] / float(tip(drive.rocker_m, rocker + math.pi / 2) @ coupler)
        servo[row] = force * float(tip(drive.crank_m, angle + math.pi / 2) @ coupler)
    ours = Dynamics(figure).servo_torque(q, qd, qdd, friction=False)["jaw"]
    drag = Dynamics(figure).at_servos(
        q, {name: axis.viscous_n_m_s * qd[name] for name, axis in figure.axes.items()}
    )["jaw"]
    assert _close(ours + drag, servo) < 1e-6
