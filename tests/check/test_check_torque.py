"""Torque against the torque-speed line: exact servo motion, the line itself, findings and remedies."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sequencer import show
from sequencer.check import loads, torque
from sequencer.check.loads import Motion, SceneLoads, ServoLoad, available_n_m, scene_loads, servo_motion
from sequencer.check.played import play_scenes
from sequencer.figure.dynamics import Dynamics
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Figure, FourBarDrive
from sequencer.units import n_m_from_kgcm
from tests.figure.linkage_text import HEAD

Array = np.ndarray[tuple[int], np.dtype[np.float64]]
FRAME_S = 0.02


def test_the_line_of_a_dc_motor() -> None:
    """T = T0 (1 - w/w0) along the motion (textbook); stall torque against it, never more."""
    torques = np.array([1.0, 1.0, 1.0, -1.0, -1.0, 1.0])
    speeds = np.array([0.0, 2.0, 5.0, 2.0, -2.0, -5.0])
    assert available_n_m(3.0, 4.0, torques, speeds) == pytest.approx([3.0, 1.5, 0.0, 3.0, 1.5, 3.0])


def test_peak_power_is_at_half_of_the_no_load_speed() -> None:
    """T0 w0 / 4 at w0 / 2 (textbook, from memory): 13 kg cm at 352.9 deg/s give 1.963 W."""
    stall, no_load = n_m_from_kgcm(13.0), np.radians(60.0 / 0.17)
    speeds = np.linspace(0.0, no_load, 2001)
    power = available_n_m(stall, no_load, np.ones_like(speeds), speeds) * speeds
    assert speeds[power.argmax()] == pytest.approx(no_load / 2.0)
    assert power.max() == pytest.approx(stall * no_load / 4.0) == pytest.approx(1.963, abs=1e-3)


def test_servo_motion_is_the_splines_own_derivative(checked_keeper: show.CheckedShow) -> None:
    figure, specs = checked_keeper.built.figure, checked_keeper.built.planned.specs
    played = checked_keeper.played["storm"]
    step = 1e-5
    # Inside spans, so that the third derivative does not jump between the three looks.
    middle = np.arange(1.003, 19.0, 0.02)
    for name, spec in specs.items():
        looks = [
            servo_motion(figure, spec, played.points[name], played.loop, middle + shift)
            for shift in (-step, 0.0, step)
        ]
        speed = (looks[2][0] - looks[0][0]) / (2.0 * step)
        push = (looks[2][0] - 2.0 * looks[1][0] + looks[0][0]) / step**2
        rest = 2.0 * loads.REST_LSB * spec.lsb_us / abs(figure.servos[spec.servo].us_per_rad) / spec.knot_s
        assert looks[1][1] == pytest.approx(speed, abs=rest)
        assert looks[1][2] == pytest.approx(push, abs=2e-3)


def test_the_axes_move_as_their_servos_say(checked_keeper: show.CheckedShow) -> None:
    """Angles, speeds and accelerations of axes through pair and four-bar are each other's derivatives."""
    motion = checked_keeper.loads["storm"].motion
    figure = checked_keeper.built.figure
    assert any(isinstance(axis.drive, FourBarDrive) for axis in figure.axes.values())
    assert figure.pairs
    step = float(motion.time_s[1] - motion.time_s[0])
    for name in figure.axes:
        speed = np.gradient(motion.q[name], step)[1:-1]
        push = np.gradient(motion.qd[name], step)[1:-1]
        top = float(np.abs(motion.qdd[name]).max())
        assert motion.qd[name][1:-1] == pytest.approx(speed, abs=0.02 * step * top + 0.02)
        # Acceleration bends at the knots, where the difference over two steps blunts it; and a speed
        # that rounding alone can make counts as rest.
        assert np.abs(push - motion.qdd[name][1:-1]).max() < 0.25 * top


class Spring:
    """A machine of one direct axis: inertia 0.01 kg m2, and 0.2 N m of gravity everywhere."""

    inertia = 0.01
    gravity = 0.2

    @property
    def linkages(self) -> tuple[Linkage, ...]:
        return ()

    def servo_torque(
        self, q: Mapping[str, Array], qd: Mapping[str, Array], qdd: Mapping[str, Array]
    ) -> Mapping[str, Array]:
        return {"one": self.inertia * qdd["axis"] + self.gravity + 0.0 * qd["axis"] + 0.0 * q["axis"]}


def _made(acceleration: Array, speed: Array, stall_n_m: float = 1.0) -> SceneLoads:
    time_s = 0.01 * np.arange(len(speed))
    motion = Motion(time_s, {"axis": 0.0 * speed}, {"axis": speed}, {"axis": acceleration}, {"one": speed})
    needed = Spring().servo_torque(motion.q, motion.qd, motion.qdd)["one"]
    load = ServoLoad(
        "one", time_s, needed, speed, available_n_m(stall_n_m, 6.0, needed, speed), stall_n_m, 6.0
    )
    return SceneLoads("made", False, float(time_s[-1]), motion, {"one": load})


@pytest.mark.parametrize(("push", "told"), [(29.9, 0), (30.1, 1)])
def test_told_on_the_far_side_of_the_line_only(bust: Figure, push: float, told: int) -> None:
    """At half of the no-load speed half of 1 N m is left: 0.2 for gravity and 0.3 for 30 rad/s2."""
    speed, acceleration = np.full(200, 3.0), np.zeros(200)
    acceleration[90] = push
    found = list(torque.findings(bust, Spring(), _made(acceleration, speed)))
    assert len(found) == told
    for finding in found:
        assert finding.code == "torque"
        assert finding.time_s == pytest.approx(0.9)
        assert finding.value is not None
        assert finding.limit is not None
        assert finding.value > finding.limit == pytest.approx(0.5 / 0.0980665)


def test_the_remedy_works_and_no_less_does(bust: Figure) -> None:
    speed, acceleration = np.full(200, 3.0), np.zeros(200)
    acceleration[90] = 75.0
    made = _made(acceleration, speed)
    (finding,) = torque.findings(bust, Spring(), made)
    assert finding.remedy is not None
    said = re.search(r"give this move ([\d.]+) times as long", finding.remedy)
    assert said is not None
    times = float(said.group(1))

    def fits(times: float) -> bool:
        slow = _made(acceleration / times**2, speed / times).servos["one"]
        return bool((np.abs(slow.torque_n_m) <= slow.available_n_m).all())

    assert fits(times)
    assert not fits(times - 0.11)


def test_the_remedy_holds_for_the_whole_stretch_and_not_for_its_worst_moment_only(bust: Figure) -> None:
    """The push at 0.9 s is over by most and wants 1.3; the speed at 1.1 s is over by less and wants 1.5."""
    speed, acceleration = np.full(200, 3.0), np.zeros(200)
    acceleration[90], speed[110] = 60.0, 7.0
    made = _made(acceleration, speed)
    (finding,) = torque.findings(bust, Spring(), made)
    assert finding.time_s == pytest.approx(0.9)
    assert "give this move 1.5 times as long" in (finding.remedy or "")


def test_the_remedy_written_into_the_scene_clears_it(tmp_path: Path) -> None:
    """A nod on a sagging supply, planned, played and judged again with the time that the finding tells."""

    def judged(over_s: float) -> list[float]:
        (tmp_path / "figure.toml").write_text(HEAD, "utf-8")
        (tmp_path / "bow.scene").write_text(
            f"scene bow\n0:01.0  nod down 20 over {over_s:.2f}s\n0:06.0  home over 3s\n", "utf-8"
        )
        built = show.build_show(tmp_path)
        weak = replace(built.figure, supply=replace(built.figure.supply, voltage_v=1.2))
        machine = Dynamics(weak)
        played = play_scenes(built.contents, built.image)["bow"]
        scene = scene_loads(weak, machine, played, built.planned.specs, FRAME_S)
        told = [
            re.search(r"give this move ([\d.]+) times as long", item.remedy or "")
            for item in torque.findings(weak, machine, scene)
        ]
        return [float(found.group(1)) for found in told if found is not None]

    times = judged(0.8)
    assert len(times) == 2
    assert judged(0.8 * max(times)) == []
    assert judged(0.8 * (max(times) - 0.2)) != []


def test_where_slower_does_not_help_it_is_not_said(bust: Figure) -> None:
    class Heavy(Spring):
        gravity = 1.2

    acceleration, speed = np.zeros(200), np.full(200, 1.0)
    made = _made(acceleration, speed)
    needed = np.full(200, 1.2)
    load = replace(made.servos["one"], torque_n_m=needed)
    (finding,) = torque.findings(bust, Heavy(), replace(made, servos={"one": load}))
    assert finding.remedy is not None
    assert "times as long" not in finding.remedy
    assert "counterweight" in finding.remedy


def test_one_stretch_is_told_once_and_many_are_bounded(bust: Figure) -> None:
    speed, acceleration = np.full(3000, 3.0), np.zeros(3000)
    acceleration[100:120] = 50.0
    assert len(list(torque.findings(bust, Spring(), _made(acceleration, speed)))) == 1
    acceleration[::200] = 60.0
    assert len(list(torque.findings(bust, Spring(), _made(acceleration, speed)))) == torque.MOST


def test_the_keeper_keeps_the_line_in_every_scene(checked_keeper: show.CheckedShow) -> None:
    """Constant limits are honest: planned within them, no servo of the demo is asked for more than it has."""
    for scene in checked_keeper.loads.values():
        for load in scene.servos.values():
            assert np.isfinite(load.torque_n_m).all()
            assert (torque.over_available(load) < 1.0).all()
    assert not [item for item in checked_keeper.report.findings if item.code == "torque"]


def test_a_sagging_supply_is_found_in_the_storm(checked_keeper: show.CheckedShow) -> None:
    """The storm planned for 6 V, played on 2.2: the same check then tells servo, time and a way out."""
    built = checked_keeper.built
    weak = replace(built.figure, supply=replace(built.figure.supply, voltage_v=2.2))
    machine = Dynamics(weak)
    scene = scene_loads(weak, machine, checked_keeper.played["storm"], built.planned.specs, FRAME_S)
    found = list(torque.findings(weak, machine, scene))
    assert found
    for item in found:
        assert item.severity == "warning"
        assert item.scene == "storm"
        assert item.channel in built.figure.servos
        assert item.time_s is not None
        assert 0.0 <= item.time_s <= scene.duration_s
        assert item.value is not None
        assert item.limit is not None
        assert item.value > item.limit
        assert item.unit == "kg cm"
        assert item.remedy


def test_the_report_holds_each_scenes_work(checked_keeper: show.CheckedShow) -> None:
    for name, scene in checked_keeper.report.scenes.items():
        assert scene.work is not None
        assert set(scene.work.servos) == set(checked_keeper.built.figure.servos)
        for servo, work in scene.work.servos.items():
            load = checked_keeper.loads[name].servos[servo]
            assert work.share == pytest.approx(float(torque.over_available(load).max()))
            assert work.rms_share == pytest.approx(float(np.sqrt(np.mean(load.shares**2))))
            assert work.winding_c > checked_keeper.built.figure.ambient_c


def test_a_figure_of_lamps_alone_has_nothing_to_hold(tmp_path: Path) -> None:
    (tmp_path / "figure.toml").write_text(
        'name = "lantern"\nboard = { kind = "uno" }\nsupply = { voltage_v = 6, rating_a = 5 }\n'
        '[lamps.eye]\npin = "D5"\n',
        encoding="utf-8",
    )
    (tmp_path / "hello.scene").write_text("scene hello\n\n0:00.0 lamps glow to 60% over 1.5s\n", "utf-8")
    checked = show.check_built(show.build_show(tmp_path))
    work = checked.report.scenes["hello"].work
    assert work is not None
    assert work.servos == {}
    assert work.peak_a == 0.0
    assert checked.report.ok
