"""Limits of tracks and axes: nothing is promised that the servos do not have, seen from either side."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.errors import FindingsError
from sequencer.figure.chain import Chain
from sequencer.figure.dynamics import Dynamics
from sequencer.figure.limits import limits, line_at, outer_limits, torque_rows, track_limits
from sequencer.figure.linkage import linkage_of
from sequencer.figure.model import Figure, Limits, Spring
from sequencer.figure.physics import physics
from sequencer.figure.polygon import reach_of
from sequencer.figure.read import parse_figure, read_figure
from tests.figure.head_on_rods import head_on_rods
from tests.figure.small_text import axis_text, figure_text, servo_text

Array = NDArray[np.float64]
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def head() -> Figure:
    return head_on_rods()


def _at(figure: Figure, volts: float) -> Figure:
    return dataclasses.replace(figure, supply=dataclasses.replace(figure.supply, voltage_v=volts))


def _heavier(figure: Figure, factor: float) -> Figure:
    masses = {
        name: dataclasses.replace(
            mass,
            mass_kg=mass.mass_kg * factor,
            inertia_kg_m2=tuple(tuple(factor * entry for entry in row) for row in mass.inertia_kg_m2),  # type: ignore[arg-type]
        )
        for name, mass in figure.masses.items()
    }
    return dataclasses.replace(figure, masses=masses)


# ------------------------------------------------------------------------------------ the servo's line


def test_the_line_lies_between_the_datasheets_two(head: Figure) -> None:
    servo = head.servos["left"]
    assert servo.low_line is not None
    half = line_at(_at(head, 5.4), servo)
    stall = (servo.stall_torque_n_m + servo.low_line.stall_torque_n_m) / 2
    speed = (servo.no_load_speed_rad_s + servo.low_line.no_load_speed_rad_s) / 2
    assert half.stall_n_m == pytest.approx(stall * servo.torque_derating)
    assert half.no_load_rad_s == pytest.approx(speed * servo.speed_derating)
    at_low = line_at(_at(head, 4.8), servo)
    assert at_low.stall_n_m == pytest.approx(servo.low_line.stall_torque_n_m * servo.torque_derating)
    below = line_at(_at(head, 2.4), servo)
    assert below == pytest.approx((at_low.stall_n_m / 2, at_low.no_load_rad_s / 2))


def test_more_volts_are_not_counted_on(head: Figure) -> None:
    servo = head.servos["left"]
    assert line_at(_at(head, 7.4), servo) == line_at(_at(head, 6.0), servo)


def test_one_line_shrinks_in_proportion(head: Figure) -> None:
    servo = dataclasses.replace(head.servos["left"], low_line=None)
    assert line_at(_at(head, 4.5), servo).stall_n_m == pytest.approx(0.75 * line_at(head, servo).stall_n_m)


def test_the_reason_says_between_which_voltages(head: Figure) -> None:
    words = track_limits(_at(head, 5.4), "left").why["velocity"]
    assert "x 0.65 (typical)" in words
    assert "between the datasheet's 4.8 and 6 V" in words
    assert "halved" in words


# ------------------------------------------------------------------------------------ direct axes


def test_a_direct_axis_has_one_limit_and_the_same_as_ever() -> None:
    """The Lantern Keeper on direct drives as of the first version: numbers from its arithmetic by hand."""
    ball = """[masses.m]
shape = "sphere"
diameter_mm = 150
weight_g = 1200
at_mm = [0, 0, 80]
carried_by = "nod"
"""
    geared = axis_text(
        *("nod", "s", (-30, 30), "left"), drive='{ servo = "s", ratio = 1.5 }', friction_kgcm=1, ramp_s=0.1
    )
    text = figure_text(servo_text("s", 7, 20, 0.16), geared, ball)
    figure = parse_figure(text.encode())
    stall = 20 * 0.0980665 * 0.65 * 1.5
    inertia = 1.2 * (0.4 * 0.075**2 + 0.08**2)
    left = stall / 2 - 1.2 * 9.80665 * 0.08 * math.sin(math.radians(30)) - 0.0980665
    top = math.radians(60 / 0.16) * 0.65 / 1.5 / 2
    acceleration = min(left / inertia, top / 0.1)
    one, two, three = limits(figure, "nod"), outer_limits(figure, "nod"), track_limits(figure, "nod")
    assert one == two == three
    assert one.velocity_rad_s == pytest.approx(top)
    assert one.acceleration_rad_s2 == pytest.approx(acceleration)
    assert one.jerk_rad_s3 == pytest.approx(acceleration / 0.1)


def test_viscous_drag_takes_torque_at_top_speed(head: Figure) -> None:
    free = dataclasses.replace(head.axes["turn"], viscous_n_m_s=0.0)
    light = dataclasses.replace(head, axes={**head.axes, "turn": free})
    (with_drag,), (without,) = torque_rows(head, "turn"), torque_rows(light, "turn")
    top = {"turn": limits(head, "turn").velocity_rad_s}
    assert without.left_n_m(top) - with_drag.left_n_m(top) == pytest.approx(0.02 * top["turn"])
    assert physics(head, "turn").available_torque_n_m == pytest.approx(with_drag.left_n_m(top))


# ------------------------------------------------------------------------------------ springs


def test_worst_holding_with_a_spring_is_never_exceeded_and_is_reached(head: Figure) -> None:
    source = np.random.default_rng(8)
    for trial in range(12):
        spring = Spring(source.normal(0, 0.3), source.normal(0, 0.5), abs(source.normal(0, 0.6)))
        wide = dataclasses.replace(head.axes["nod"], spring=spring, range_rad=(-1.5, 1.9))
        figure = dataclasses.replace(head, axes={**head.axes, "nod": wide})
        least, greatest = Chain(figure, "nod").holding_range_n_m()
        q = {name: source.uniform(*axis.range_rad, 4000) for name, axis in figure.axes.items()}
        for name in ("tilt", "jaw"):
            low, high = figure.axes[name].range_rad
            q[name] = np.where(source.uniform(size=4000) < 0.7, source.choice([low, high], 4000), q[name])
        held = Dynamics(figure).holding(q)["nod"]
        assert least - 1e-9 <= held.min()
        assert held.max() <= greatest + 1e-9
        size = greatest - least
        assert held.min() - least < 0.03 * size, trial
        assert greatest - held.max() < 0.03 * size, trial


def test_a_spring_frees_torque(head: Figure) -> None:
    plain = head_on_rods(springs=False)
    heavy = _heavier(plain, 2.0)
    pull = float(np.mean(Chain(heavy, "nod").holding_range_n_m()))
    nod = dataclasses.replace(heavy.axes["nod"], spring=Spring(pull, 0.0, 0.0))
    sprung = dataclasses.replace(heavy, axes={**heavy.axes, "nod": nod})
    assert physics(sprung, "nod").available_torque_n_m > physics(heavy, "nod").available_torque_n_m
    assert physics(sprung, "nod").gravity_torque_n_m < physics(heavy, "nod").gravity_torque_n_m


# ------------------------------------------------------------------------------------ pair and four-bar


def _poses(figure: Figure, names: tuple[str, ...], source: np.random.Generator, count: int) -> Array:
    """Random poses that the linkage's tracks may be given, many of them at the border."""
    if len(names) == 1:
        return source.uniform(*figure.axes[names[0]].range_rad, (count, 1))
    border = reach_of(figure, "neck").border_rad
    shares = np.minimum(1.0, source.uniform(0.3, 1.4, (count, 1)))
    return border[source.integers(0, len(border), count)] * shares


def _balanced(slower: float = 1.0) -> Figure:
    """All inertia, no gravity, hurried ramps: acceleration asks for torque, quick servos do too."""
    plain = head_on_rods(springs=False)
    tensor = ((0.12, 0.0, 0.0), (0.0, 0.15, 0.0), (0.0, 0.0, 0.1))
    ball = dataclasses.replace(plain.masses["skull"], centre_m=(0.0, 0.0, 0.0), inertia_kg_m2=tensor)
    axes = {name: dataclasses.replace(axis, ramp_s=0.06) for name, axis in plain.axes.items()}
    servos = {
        name: dataclasses.replace(servo, no_load_speed_rad_s=servo.no_load_speed_rad_s / slower)
        for name, servo in plain.servos.items()
    }
    return dataclasses.replace(plain, masses={"ball": ball}, axes=axes, servos=servos)


def _kind(kind: str) -> Figure:
    if kind.startswith("balanced"):
        return _balanced(slower=6.0 if kind == "balanced, slow" else 1.0)
    return _heavier(head_on_rods(), 2.6 if kind == "heavy" else 1.0)


@pytest.mark.parametrize("kind", ["light", "heavy", "balanced", "balanced, slow"])
@pytest.mark.parametrize("axis", ["nod", "jaw"])
def test_what_tracks_are_promised_their_servos_have(axis: str, kind: str) -> None:
    """Any speeds and accelerations of both servos within limits, any pose: half of stall is enough.

    At the top speed half of stall is what the torque-speed line has. Torque from the full dynamics;
    only the other axes rest, friction counted against the motion of each axis.
    """
    figure = _kind(kind)
    linkage = linkage_of(figure, axis)
    source = np.random.default_rng(21)
    count = 4000
    q = {name: source.uniform(*one.range_rad, count) for name, one in figure.axes.items()}
    pose = _poses(figure, linkage.axes, source, count)
    q |= {name: pose[:, index] for index, name in enumerate(linkage.axes)}
    tracks = linkage.servos if len(linkage.servos) > 1 else linkage.axes
    bounds = [track_limits(figure, track) for track in tracks]
    corner = source.choice([-1.0, 1.0], (2, count, len(bounds)))
    speed = (
        corner[0]
        * [bound.velocity_rad_s for bound in bounds]
        * np.minimum(1.0, source.uniform(0.5, 1.6, (count, 1)))
    )
    push = corner[1] * [bound.acceleration_rad_s2 for bound in bounds]
    # Servo motion to axis motion by differences of the forward map along s(t).
    servo, step = linkage.servo_rad(pose), 1e-4
    near = [linkage.axis_rad(servo + t * speed + t * t / 2 * push, pose) for t in (-step, 0.0, step)]
    rate = (near[2] - near[0]) / (2 * step)
    bend = (near[2] - 2 * near[1] + near[0]) / step**2
    torques = Dynamics(figure).servo_torque(
        q,
        {name: rate[:, index] for index, name in enumerate(linkage.axes)},
        {name: bend[:, index] for index, name in enumerate(linkage.axes)},
    )
    used = []
    for name in linkage.servos:
        share = np.abs(torques[name]) / line_at(figure, figure.servos[name]).stall_n_m
        assert share.max() <= 0.5 * (1 + 1e-4)
        used.append(share.max())
    if axis == "nod" and kind != "light":
        # Torque binds here, so the bound must not be wasteful either.
        assert bounds[0].why["acceleration"].startswith("torque")
        assert max(used) > {"heavy": 0.35, "balanced": 0.38, "balanced, slow": 0.45}[kind]


def _rates(path: Callable[[float], Array], step: float) -> tuple[Array, Array, Array]:
    """First, second and third derivative at 0, by central differences."""
    far, near, here = (path(2 * step), path(-2 * step)), (path(step), path(-step)), path(0.0)
    return (
        (near[0] - near[1]) / (2 * step),
        (near[0] - 2 * here + near[1]) / step**2,
        (far[0] - 2 * near[0] + 2 * near[1] - far[1]) / (2 * step**3),
    )


def _three(limit: Limits) -> tuple[float, float, float]:
    return limit.velocity_rad_s, limit.acceleration_rad_s2, limit.jerk_rad_s3


@pytest.mark.parametrize("axis", ["nod", "tilt", "jaw"])
def test_an_axis_alone_within_its_limits_asks_no_servo_too_much(head: Figure, axis: str) -> None:
    linkage = linkage_of(head, axis)
    index = linkage.axes.index(axis)
    source = np.random.default_rng(31)
    pose = _poses(head, linkage.axes, source, 1500)
    v, a, j = _three(limits(head, axis))
    reached = np.zeros(3)
    tracks = linkage.servos if len(linkage.servos) > 1 else linkage.axes
    bounds = np.array([_three(track_limits(head, track)) for track in tracks])
    way = np.eye(len(linkage.axes))[index]
    # Points of a move by the default 3-4-5 law, and of a sway: velocity, acceleration, jerk over their peaks.
    u = np.linspace(0.0, 1.0, 21)
    law = [30 * u**2 * (1 - u) ** 2 / 1.875, 60 * u * (1 - u) * (1 - 2 * u) / (10 / math.sqrt(3))]
    law += [(60 - 360 * u + 360 * u**2) / 60]
    sway = [np.cos(math.tau * u), -np.sin(math.tau * u), -np.cos(math.tau * u)]
    for x, y, z in np.concatenate([np.array(law).T, np.array(sway).T]):
        for sign, slower in itertools.product((-1.0, 1.0), (0.4, 1.0)):

            def path(
                t: float, x: float = x * slower, y: float = y, z: float = z, sign: float = sign
            ) -> Array:
                moved = sign * (v * x * t + a * y * t**2 / 2 + j * z * t**3 / 6)
                return linkage.servo_rad(pose + moved * way)

            for order, rates in enumerate(_rates(path, 1e-3)):
                share = np.abs(rates) / bounds[:, order]
                share = share[np.isfinite(share).all(axis=1)]
                assert share.max() <= 1.005, (order, x, y, z)
                reached[order] = max(reached[order], share.max())
    # Not wasteful: the velocity or the acceleration or the jerk is what binds.
    assert reached.max() > 0.9


@pytest.mark.parametrize("axis", ["nod", "tilt", "jaw"])
def test_no_motion_of_the_servos_exceeds_the_outer_limits(head: Figure, axis: str) -> None:
    linkage = linkage_of(head, axis)
    index = linkage.axes.index(axis)
    source = np.random.default_rng(41)
    pose = _poses(head, linkage.axes, source, 1500)
    servo = linkage.servo_rad(pose)
    tracks = linkage.servos if len(linkage.servos) > 1 else linkage.axes
    v, a, j = np.array([_three(track_limits(head, track)) for track in tracks]).T
    outer = np.array(_three(outer_limits(head, axis)))
    reached = np.zeros(3)
    k = len(linkage.axes)
    for signs in itertools.product((-1.0, 1.0), repeat=3 * k):
        s1, s2, s3 = np.reshape(signs, (3, k))

        def path(t: float, s1: Array = s1, s2: Array = s2, s3: Array = s3) -> Array:
            moved = s1 * v * t + s2 * a * t**2 / 2 + s3 * j * t**3 / 6
            return linkage.axis_rad(servo + moved, pose)[:, index]

        for order, rates in enumerate(_rates(path, 2e-3)):
            share = np.abs(rates[np.isfinite(rates)]) / outer[order]
            assert share.max() <= 1.0, (order, signs)
            reached[order] = max(reached[order], share.max())
    # Not wasteful: the sizes of all terms cannot all be met at one pose, but most of them nearly are.
    assert (reached > [0.9, 0.85, 0.7]).all()


def test_inner_limits_lie_within_outer(head: Figure) -> None:
    for axis in head.axes:
        for inside, outside in zip(_three(limits(head, axis)), _three(outer_limits(head, axis)), strict=True):
            assert inside <= outside


# ------------------------------------------------------------------------------------ rows and reasons


def test_constant_limits_and_torque_rows_come_from_the_same_place(head: Figure) -> None:
    rows = torque_rows(head, "left")
    assert [row.track for row in rows] == ["left", "right"]
    heavy = torque_rows(_heavier(head, 2.6), "left")
    tops = {row.track: row.no_load_rad_s / 2 for row in heavy}
    least = min(row.left_n_m(tops) / row.reflected_kg_m2 for row in heavy)
    limit = track_limits(_heavier(head, 2.6), "right")
    assert limit.acceleration_rad_s2 == pytest.approx(least)
    assert "at servo `" in limit.why["acceleration"]
    assert "N m left" in limit.why["acceleration"]
    assert rows[0].inertia_kg_m2["left"] > rows[0].inertia_kg_m2["right"] > 0


def test_a_row_at_the_worst_pose_is_what_dynamics_say(head: Figure) -> None:
    """Gravity of the row against servo torques of random poses: never beyond, and reached within 5 %."""
    source = np.random.default_rng(51)
    pose = _poses(head, ("nod", "tilt"), source, 6000)
    q = {"nod": pose[:, 0], "tilt": pose[:, 1], "jaw": source.choice(head.axes["jaw"].range_rad, 6000)}
    held = Dynamics(head).servo_torque(q, {}, {})
    for row in torque_rows(head, "left"):
        least, greatest = row.gravity_n_m
        assert least <= held[row.servo].min()
        assert held[row.servo].max() <= greatest
        assert held[row.servo].max() - held[row.servo].min() > 0.95 * (greatest - least)


def test_a_pair_that_cannot_hold_says_which_servo_and_what_helps(head: Figure) -> None:
    heavy = _heavier(head, 9.0)
    assert physics(heavy, "nod").available_torque_n_m <= 0
    for ask in (lambda: limits(heavy, "nod"), lambda: track_limits(heavy, "left")):
        with pytest.raises(FindingsError, match="cannot be moved") as caught:
            ask()
        fault = caught.value.faults[0]
        assert "left" in fault.message
        assert fault.remedy is not None
        assert "counterweight" in fault.remedy


def test_the_servo_that_is_asked_for_is_enough(head: Figure) -> None:
    heavy = _heavier(head, 9.0)
    with pytest.raises(FindingsError) as caught:
        limits(heavy, "tilt")
    needed = float(str(caught.value.faults[0].remedy).split("stall_kgcm = ")[1].split(" in ")[0])
    strong = {
        name: dataclasses.replace(servo, stall_torque_n_m=needed * 0.0980665, low_line=None)
        for name, servo in heavy.servos.items()
    }
    assert limits(dataclasses.replace(heavy, servos=strong), "tilt").acceleration_rad_s2 > 0


def test_unknown_names(head: Figure) -> None:
    for ask in (
        lambda: limits(head, "ear"),
        lambda: track_limits(head, "nod"),
        lambda: torque_rows(head, ""),
    ):
        with pytest.raises(KeyError):
            ask()


def test_the_keeper_is_within_its_limits() -> None:
    keeper = read_figure(ROOT / "shows" / "lantern_keeper")
    for axis in keeper.axes:
        assert limits(keeper, axis).velocity_rad_s > 0
