"""Inertia, gravity and the limits that follow, against energy, brute force and hand arithmetic."""

from __future__ import annotations

import itertools
import math
import random
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from sequencer.errors import FindingsError
from sequencer.figure.limits import limits, ramp
from sequencer.figure.model import DirectDrive, Figure
from sequencer.figure.physics import Chain, body, carried, physics
from sequencer.figure.read import parse_figure, read_figure
from sequencer.units import GRAVITY_M_S2

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def keeper() -> Figure:
    return read_figure(ROOT / "shows" / "lantern_keeper")


def _height_energy(figure: Figure, pose: dict[str, float]) -> float:
    """Potential energy in J, by turning each mass's centre step by step: no code of the package."""
    total = 0.0
    for mass in figure.masses.values():
        point = list(mass.centre_m)
        name: str | None = mass.carried_by
        while name is not None:
            axis = figure.axes[name]
            angle = pose.get(name, axis.home_rad) - axis.home_rad
            u, c, s = axis.direction, math.cos(angle), math.sin(angle)
            r = [p - q for p, q in zip(point, axis.pivot_m, strict=True)]
            dot = sum(a * b for a, b in zip(u, r, strict=True))
            cross = (u[1] * r[2] - u[2] * r[1], u[2] * r[0] - u[0] * r[2], u[0] * r[1] - u[1] * r[0])
            point = [q + c * r[i] + s * cross[i] + (1 - c) * dot * u[i] for i, q in enumerate(axis.pivot_m)]
            name = axis.carried_by
        total += mass.mass_kg * GRAVITY_M_S2 * point[2]
    return total


def _random_pose(figure: Figure, source: random.Random) -> dict[str, float]:
    return {name: source.uniform(*axis.range_rad) for name, axis in figure.axes.items()}


def test_published_gravity_at_30_degrees(good_text: str) -> None:
    """0.5 kg, 0.06 m above the pivot, tilted by 30 degrees: 0.1471 N m (check-values section 3)."""
    text = good_text.replace("range_deg = [-20, 25]", "range_deg = [-20, 30]")
    facts = physics(parse_figure(text.encode()), "nod")
    assert facts.gravity_torque_n_m == pytest.approx(0.1471, abs=5e-5)
    assert facts.inertia_kg_m2 == pytest.approx(0.00383022, abs=5e-9)


def test_turn_about_the_vertical_has_no_gravity(bust: Figure, keeper: Figure) -> None:
    assert physics(bust, "turn").gravity_torque_n_m == 0.0
    assert physics(keeper, "turn").gravity_torque_n_m == 0.0


def test_a_leaning_neck_feels_gravity_in_its_turn(good_text: str) -> None:
    text = good_text.replace('turns_about = "up"', "turns_about = [1, 0, 1]")
    assert physics(parse_figure(text.encode()), "turn").gravity_torque_n_m > 0.1


def test_torque_is_the_slope_of_energy(keeper: Figure) -> None:
    source = random.Random(4)
    for axis in keeper.axes:
        chain = Chain(keeper, axis)
        for _ in range(5):
            pose = _random_pose(keeper, source)
            step = 1e-5
            rise = _height_energy(keeper, pose | {axis: pose[axis] + step})
            fall = _height_energy(keeper, pose | {axis: pose[axis] - step})
            assert chain.gravity_n_m(pose) == pytest.approx(-(rise - fall) / (2 * step), abs=2e-8)


def test_worst_gravity_is_never_exceeded_and_is_reached(keeper: Figure) -> None:
    source = random.Random(5)
    for axis in ("nod", "tilt", "jaw"):
        chain = Chain(keeper, axis)
        worst = chain.worst_gravity_n_m()
        seen = max(abs(chain.gravity_n_m(_random_pose(keeper, source))) for _ in range(300))
        grid = itertools.product(*[(a.range_rad[0], 0.0, a.range_rad[1]) for a in keeper.axes.values()])
        corners = max(abs(chain.gravity_n_m(dict(zip(keeper.axes, pose, strict=True)))) for pose in grid)
        assert max(seen, corners) <= worst * (1 + 1e-9)
        assert max(seen, corners) >= 0.97 * worst


def test_worst_inertia_is_never_exceeded(keeper: Figure) -> None:
    source = random.Random(6)
    for axis in keeper.axes:
        chain = Chain(keeper, axis)
        worst = chain.worst_inertia_kg_m2()
        assert worst >= chain.inertia_kg_m2({})
        for _ in range(60):
            assert chain.inertia_kg_m2(_random_pose(keeper, source)) <= worst * 1.001


_WAY = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda way: math.hypot(*way) > 0.1)
_PLACE = st.tuples(*[st.integers(-200, 200)] * 3)


@settings(max_examples=20, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(data=st.data())
def test_worst_of_any_chain_is_never_exceeded(data: st.DataObject) -> None:
    """Four axes in a row or in branches, about any lines, each with a lump."""
    text = 'name = "any"\nboard = { kind = "uno" }\nsupply = { voltage_v = 6, rating_a = 9 }\n'
    for number in range(4):
        low = data.draw(st.integers(-170, 0))
        high = data.draw(st.integers(0, 170).filter(lambda value, low=low: value > low))
        text += (
            f"[servos.s{number}]\npin = {number + 2}\nspeed_s_per_60deg = 0.2\nstall_kgcm = 900\nat_v = 6\n"
            "pulse_us = [500, 2500]\ntravel_deg = 360\n"
            f'[axes.a{number}]\nrange_deg = [{low}, {high}]\nwords = ["back", "forth"]\n'
            f"turns_about = {list(data.draw(_WAY))}\npivot_mm = {list(data.draw(_PLACE))}\n"
            f'drive = {{ servo = "s{number}" }}\n'
        )
        if number:
            text += f'carried_by = "a{data.draw(st.integers(0, number - 1))}"\n'
        text += (
            f'[masses.m{number}]\nshape = "box"\nsize_mm = [50, 100, 20]\nweight_g = 300\n'
            f'at_mm = {list(data.draw(_PLACE))}\ncarried_by = "a{number}"\n'
        )
    figure = parse_figure(text.encode())
    source = random.Random(data.draw(st.integers(0, 999)))
    poses = [_random_pose(figure, source) for _ in range(25)]
    for name in figure.axes:
        chain = Chain(figure, name)
        gravity, inertia = chain.worst_gravity_n_m(), chain.worst_inertia_kg_m2()
        for pose in poses:
            assert abs(chain.gravity_n_m(pose)) <= gravity * (1 + 1e-9) + 2e-8  # the chain's own rounding
            assert chain.inertia_kg_m2(pose) <= inertia * 1.02 + 1e-9


def test_inertia_does_not_depend_on_the_own_angle(keeper: Figure) -> None:
    chain = Chain(keeper, "nod")
    assert chain.inertia_kg_m2({"nod": 0.4}) == pytest.approx(chain.inertia_kg_m2({}), rel=1e-12)


def test_lumps_of_one_axis_add_up(keeper: Figure) -> None:
    head = body(keeper, "tilt")
    assert head is not None
    assert head.mass_kg == pytest.approx(1.4 - 0.045)
    assert body(keeper, "turn") is None
    assert carried(keeper, "nod") == ("nod", "tilt", "jaw")


def test_limits_by_hand(bust: Figure) -> None:
    """nod: 13 kg cm x 0.65, half at speed, minus gravity at 25 degrees and 0.4 kg cm of friction."""
    limit = limits(bust, "nod")
    facts = physics(bust, "nod")
    stall = 13 * 0.0980665 * 0.65
    gravity = 0.5 * GRAVITY_M_S2 * 0.06 * math.sin(math.radians(25))
    left = stall / 2 - gravity - 0.4 * 0.0980665
    assert facts.available_torque_n_m == pytest.approx(left)
    assert facts.torque_margin == pytest.approx(1 - (gravity + 0.4 * 0.0980665) / stall)
    assert math.degrees(limit.velocity_rad_s) == pytest.approx(60 / 0.17 * 0.65 / 2)
    rise = math.tau * math.sqrt(facts.inertia_kg_m2 / 15.0)
    by_ramp = limit.velocity_rad_s / rise
    assert limit.acceleration_rad_s2 == pytest.approx(min(left / facts.inertia_kg_m2, by_ramp))
    assert limit.jerk_rad_s3 == pytest.approx(limit.acceleration_rad_s2 / rise)


def test_torque_binds_when_the_head_is_heavy(good_text: str) -> None:
    text = good_text.replace("weight_g = 500", "weight_g = 800").replace(
        "friction_kgcm = 0.4", "friction_kgcm = 0.4\nramp_s = 0.06"
    )
    figure = parse_figure(text.encode())
    facts, limit = physics(figure, "nod"), limits(figure, "nod")
    assert limit.acceleration_rad_s2 == pytest.approx(facts.available_torque_n_m / facts.inertia_kg_m2)
    assert limit.why["acceleration"].startswith("torque:")
    assert "typical" in limits(figure, "turn").why["velocity"]


def test_whatever_is_promised_is_there_at_top_speed(keeper: Figure, bust: Figure) -> None:
    """On the DC line the servo still has the torque for full acceleration at full speed, worst pose.

    Direct drives; linkages are in test_limits.py.
    """
    for figure, name in ((keeper, "turn"), (bust, "turn"), (bust, "nod")):
        axis = figure.axes[name]
        assert isinstance(axis.drive, DirectDrive)
        servo = figure.servos[axis.drive.servo]
        facts, limit = physics(figure, name), limits(figure, name)
        top = servo.no_load_speed_rad_s * servo.speed_derating / axis.drive.ratio
        stall = servo.stall_torque_n_m * servo.torque_derating * axis.drive.ratio
        there = stall * (1 - limit.velocity_rad_s / top)
        wanted = (
            facts.inertia_kg_m2 * limit.acceleration_rad_s2
            + facts.gravity_torque_n_m
            + facts.friction_torque_n_m
        )
        assert wanted <= there * (1 + 1e-9)


def test_the_keeper_is_drivable(keeper: Figure) -> None:
    for name in ("turn", "nod", "tilt"):
        limit = limits(keeper, name)
        assert 90 < math.degrees(limit.velocity_rad_s) < 150
        assert 350 < math.degrees(limit.acceleration_rad_s2) < 900
        assert ramp(keeper, name).ramp_s >= 0.18
    jaw = limits(keeper, "jaw")
    assert math.degrees(jaw.velocity_rad_s) > 180
    assert 0.06 <= ramp(keeper, "jaw").ramp_s < 0.09


def test_the_ratio_trades_speed_for_torque(good_text: str) -> None:
    plain = parse_figure(good_text.encode())
    geared = parse_figure(good_text.replace("ratio = 1.0", "ratio = 1.2").encode())
    slow, fast = limits(geared, "turn"), limits(plain, "turn")
    assert slow.velocity_rad_s == pytest.approx(fast.velocity_rad_s / 1.2)
    assert physics(geared, "turn").available_torque_n_m == pytest.approx(
        1.2 * physics(plain, "turn").available_torque_n_m
    )


def test_less_voltage_is_slower_and_more_is_not_counted_on(good_text: str) -> None:
    def speed(volts: float) -> float:
        text = good_text.replace("voltage_v = 6.0", f"voltage_v = {volts}")
        return limits(parse_figure(text.encode()), "turn").velocity_rad_s

    assert speed(4.8) == pytest.approx(0.8 * speed(6.0))
    assert speed(7.4) == pytest.approx(speed(6.0))


def test_an_axis_that_cannot_be_held(good_text: str) -> None:
    figure = parse_figure(good_text.replace("weight_g = 500", "weight_g = 4000").encode())
    with pytest.raises(FindingsError, match="nod cannot be moved") as caught:
        limits(figure, "nod")
    fault = caught.value.faults[0]
    assert fault.remedy is not None
    assert "counterweight" in fault.remedy
    needed = float(fault.remedy.split("servo of ")[1].split(" kg cm")[0])
    load = 4 * GRAVITY_M_S2 * 0.06 * math.sin(math.radians(25)) / 0.0980665 + 0.4
    assert needed == pytest.approx(3 * load / 0.65, abs=0.6)
    # the remedy works
    strong = good_text.replace("weight_g = 500", "weight_g = 4000").replace(
        "stall_kgcm = 13", f"stall_kgcm = {needed:g}"
    )
    assert limits(parse_figure(strong.encode()), "nod").acceleration_rad_s2 > 0
    assert limits(figure, "turn").velocity_rad_s > 0


def test_an_axis_without_masses_says_so(good_text: str) -> None:
    text = good_text[: good_text.index("[masses.head]")] + good_text[good_text.index("[lamps.eye]") :]
    figure = parse_figure(text.encode())
    assert physics(figure, "nod").inertia_kg_m2 == 0.0
    limit = limits(figure, "nod")
    assert limit.jerk_rad_s3 == pytest.approx(limit.velocity_rad_s / 0.06**2)
    assert "no mass" in limit.why["acceleration"]


def test_a_slip_of_the_unit_in_a_mass_is_told() -> None:
    """A skull in kilograms, or a size in metres, makes a lump lighter than foam or heavier than gold."""
    from dataclasses import replace

    from sequencer.figure.judge import findings
    from sequencer.figure.read import read_figure
    from sequencer.show_folder import demo_folder

    figure = read_figure(demo_folder())
    assert not [item for item in findings(figure) if item.code == "reach" and "mass" in item.message]
    skull = figure.masses["skull"]
    for factor, words in ((1e-3, "lighter than foam"), (1e4, "heavier than gold")):
        rows = tuple(tuple(entry * factor for entry in row) for row in skull.inertia_kg_m2)
        slipped = replace(skull, mass_kg=skull.mass_kg * factor, inertia_kg_m2=rows)
        found = findings(replace(figure, masses={**figure.masses, "skull": slipped}))
        assert any(words in item.message for item in found)
