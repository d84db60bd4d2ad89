"""Inverse dynamics against energy, virtual work and hand arithmetic; MuJoCo is in tests/published."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sequencer.figure.dynamics import Dynamics
from sequencer.figure.model import Axis, DirectDrive, Figure, Mass, Spring
from sequencer.figure.polygon import reach_of
from sequencer.figure.read import parse_figure
from sequencer.units import GRAVITY_M_S2
from tests.figure.head_on_rods import head_on_rods

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def head() -> Figure:
    return head_on_rods()


def _one(value: float) -> Array:
    return np.array([value])


def test_published_example(good_text: str) -> None:
    """0.5 kg, 80/76 mm, 60 mm from the axis: 0.144734 N m for 37.7875 rad/s2, 0.1471 N m held at 30 degrees.

    Handbook mechanics, computed with a reference library (check-values section 3).
    """
    figure = parse_figure(good_text.replace("range_deg = [-20, 25]", "range_deg = [-20, 30]").encode())
    dynamics = Dynamics(figure)
    upright = dynamics.axis_torque({}, {}, {"nod": _one(37.7875)}, friction=False)
    assert upright["nod"][0] == pytest.approx(0.144734, abs=1e-6)
    # It leans forward and gravity pulls further: holding takes a torque the other way.
    leaning = dynamics.gravity({"nod": _one(math.radians(30.0))})
    assert leaning["nod"][0] == pytest.approx(-0.1471, abs=5e-5)


def test_a_spinning_weight_pulls_outward(good_text: str) -> None:
    """A lump at r and height h over the nod axis, turning at w: nodding back takes m w^2 r h (hand)."""
    text = good_text.replace("at_mm = [0, 0, 60]", "at_mm = [80, 0, 60]")
    figure = parse_figure(text.encode())
    dynamics = Dynamics(figure)
    still = dynamics.axis_torque({}, {}, {}, friction=False)["nod"][0]
    spun = dynamics.axis_torque({}, {"turn": _one(4.0)}, {}, friction=False)["nod"][0]
    assert spun - still == pytest.approx(-0.5 * 4.0**2 * 0.08 * 0.06, rel=1e-12)


_WAY = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda way: math.hypot(*way) > 0.1)
_PLACE = st.tuples(*[st.floats(-0.2, 0.2)] * 3)


def _tree(data: st.DataObject, template: Figure) -> Figure:
    """Four axes in a row or in branches, about any lines, each with a lump."""
    axes: dict[str, Axis] = {}
    masses: dict[str, Mass] = {}
    for number in range(4):
        way = data.draw(_WAY)
        size = math.hypot(*way)
        axes[f"a{number}"] = dataclasses.replace(
            template.axes["turn"],
            name=f"a{number}",
            home_rad=data.draw(st.floats(-1, 1)),
            direction=(way[0] / size, way[1] / size, way[2] / size),
            pivot_m=data.draw(_PLACE),
            carried_by=f"a{data.draw(st.integers(0, number - 1))}" if number else None,
            drive=DirectDrive("turn"),
        )
        masses[f"m{number}"] = Mass(
            name=f"m{number}",
            carried_by=f"a{number}",
            mass_kg=data.draw(st.floats(0.1, 1.0)),
            centre_m=data.draw(_PLACE),
            inertia_kg_m2=((3e-3, 1e-4, -2e-4), (1e-4, 2e-3, 3e-4), (-2e-4, 3e-4, 4e-3)),
            shape="box",
            basis="measured",
        )
    return dataclasses.replace(template, axes=axes, masses=masses)


def _potential(figure: Figure, pose: Array) -> float:
    """m g z of all lumps, each centre turned step by step: no code of the package."""
    angles = dict(zip(figure.axes, pose, strict=True))
    total = 0.0
    for mass in figure.masses.values():
        point = np.array(mass.centre_m)
        name: str | None = mass.carried_by
        while name is not None:
            axis = figure.axes[name]
            u, arm = np.array(axis.direction), point - np.array(axis.pivot_m)
            c, s = math.cos(angles[name] - axis.home_rad), math.sin(angles[name] - axis.home_rad)
            point = np.array(axis.pivot_m) + c * arm + s * np.cross(u, arm) + (1 - c) * (u @ arm) * u
            name = axis.carried_by
        total += mass.mass_kg * GRAVITY_M_S2 * float(point[2])
    return total


@settings(max_examples=25, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(data=st.data())
def test_power_is_the_change_of_energy(head: Figure, data: st.DataObject) -> None:
    """Along any motion, torque . speed = d/dt of kinetic and potential energy."""
    figure = _tree(data, head)
    dynamics = Dynamics(figure)
    source = np.random.default_rng(data.draw(st.integers(0, 9999)))
    at, speed, push = source.normal(0, 1, 4), source.normal(0, 2, 4), source.normal(0, 5, 4)

    def named(values: Array) -> dict[str, Array]:
        return {name: _one(value) for name, value in zip(figure.axes, values, strict=True)}

    def energy(time: float) -> float:
        pose, rate = at + speed * time + push * time**2 / 2, speed + push * time
        matrix = dynamics.inertia_matrix(named(pose))[0]
        return float(rate @ matrix @ rate) / 2 + _potential(figure, pose)

    step = 1e-5
    change = (energy(step) - energy(-step)) / (2 * step)
    torques = dynamics.axis_torque(named(at), named(speed), named(push), friction=False)
    power = sum(float(torques[name][0]) * rate for name, rate in zip(figure.axes, speed, strict=True))
    scale = sum(abs(float(torques[name][0]) * rate) for name, rate in zip(figure.axes, speed, strict=True))
    assert power == pytest.approx(change, abs=1e-6 * (1.0 + scale))


def test_inertia_matrix_is_symmetric_and_positive(head: Figure) -> None:
    source = np.random.default_rng(2)
    q = {name: source.uniform(*axis.range_rad, 50) for name, axis in head.axes.items()}
    matrices = Dynamics(head).inertia_matrix(q)
    assert matrices == pytest.approx(matrices.transpose(0, 2, 1), abs=1e-15)
    assert np.linalg.eigvalsh(matrices).min() > 0


def test_servo_power_is_axis_power(head: Figure) -> None:
    """Virtual work with finite differences of the linkages' own geometry instead of their Jacobians."""
    dynamics = Dynamics(head)
    source = np.random.default_rng(3)
    border = reach_of(head, "neck").border_rad[::7] * 0.9
    count = len(border)
    q = {name: source.uniform(*axis.range_rad, count) for name, axis in head.axes.items()}
    q |= {"nod": border[:, 0], "tilt": border[:, 1]}
    qd = {name: source.normal(0, 1, count) for name in head.axes}
    qdd = {name: source.normal(0, 20, count) for name in head.axes}
    axis = dynamics.axis_torque(q, qd, qdd)
    servo = dynamics.servo_torque(q, qd, qdd)
    step = 1e-6
    for linkage in dynamics.linkages:
        pose = np.stack([q[name] for name in linkage.axes], axis=1)
        for _ in range(3):
            way = source.normal(0, 1, pose.shape)
            turned = (linkage.servo_rad(pose + step * way) - linkage.servo_rad(pose - step * way)) / (
                2 * step
            )
            given = sum(servo[name] * turned[:, index] for index, name in enumerate(linkage.servos))
            taken = sum(axis[name] * way[:, index] for index, name in enumerate(linkage.axes))
            assert given == pytest.approx(taken, abs=1e-8)


def test_friction_opposes_motion_and_is_nothing_at_rest(head: Figure) -> None:
    dynamics = Dynamics(head)
    for name, axis in head.axes.items():
        for speed in (-1.5, 0.0, 1.5):
            rates = {name: _one(speed)}
            with_it = dynamics.axis_torque({}, rates, {})[name][0]
            without = dynamics.axis_torque({}, rates, {}, friction=False)[name][0]
            expected = math.copysign(axis.friction_n_m, speed) + axis.viscous_n_m_s * speed if speed else 0.0
            assert with_it - without == pytest.approx(expected, abs=1e-15)


def test_a_spring_carries_what_gravity_asks(head: Figure) -> None:
    """A spring that gives at one pose what gravity takes there leaves nothing to hold; rate adds a slope."""
    pose = {"nod": _one(0.3)}
    weight = float(Dynamics(head).gravity(pose)["nod"][0])
    nod = dataclasses.replace(head.axes["nod"], spring=Spring(weight, 0.3, 0.5))
    sprung = Dynamics(dataclasses.replace(head, axes={**head.axes, "nod": nod}))
    assert sprung.holding(pose)["nod"][0] == pytest.approx(0.0, abs=1e-15)
    assert sprung.gravity(pose)["nod"][0] == pytest.approx(weight)
    further = {"nod": _one(0.4)}
    assert sprung.holding(further)["nod"][0] - sprung.gravity(further)["nod"][0] == pytest.approx(
        -weight + 0.05
    )


def test_states_go_through_together(head: Figure) -> None:
    source = np.random.default_rng(5)
    q = {name: source.normal(0, 0.2, 7) for name in head.axes}
    qd = {name: source.normal(0, 1, 7) for name in head.axes}
    together = Dynamics(head).axis_torque(q, qd, {})
    for row in range(7):
        alone = Dynamics(head).axis_torque(
            {name: values[row : row + 1] for name, values in q.items()},
            {name: values[row : row + 1] for name, values in qd.items()},
            {},
        )
        for name in head.axes:
            assert alone[name][0] == pytest.approx(together[name][row], abs=1e-15)


def test_what_is_not_named_is_at_home_and_at_rest(head: Figure) -> None:
    named = {name: np.full(3, axis.home_rad) for name, axis in head.axes.items()}
    still = {name: np.zeros(3) for name in head.axes}
    whole = Dynamics(head).axis_torque(named, still, still)
    short = Dynamics(head).axis_torque({"turn": np.zeros(3)}, {}, {})
    for name in head.axes:
        assert short[name] == pytest.approx(whole[name], abs=1e-15)


def test_an_axis_that_is_not_there(head: Figure) -> None:
    with pytest.raises(KeyError, match="ear"):
        Dynamics(head).axis_torque({"ear": np.zeros(1)}, {}, {})


def test_beyond_the_linkage_there_is_no_servo_torque(head: Figure) -> None:
    torque = Dynamics(head).servo_torque({"nod": np.array([0.0, 1.2]), "tilt": np.array([0.0, 1.2])}, {}, {})
    assert np.isfinite([torque["left"][0], torque["turn"][1]]).all()
    assert np.isnan(torque["left"][1])
