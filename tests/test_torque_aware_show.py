"""A whole show whose axes are planned with torque: shorter moves, calm transitions, stops that can brake."""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.figure.limits import limits
from sequencer.figure.read import parse_figure
from sequencer.figure.track_load import FigureLoads
from sequencer.motion.live import LiveTrack
from sequencer.motion.torque_moves import quick_limits
from sequencer.motion.torque_rows import Line, TrackMotion, overload, track_motion
from sequencer.show import BuiltShow, build_show, check_built
from sequencer.tables.braking import least_stop_frames
from tests.motion.jumps import all_aware
from tests.motion.two_axes import TEXT, two_axes
from tests.tables import fade_oracle

Array = NDArray[np.float64]
IDLE = """\
scene idle
loop 0:12

0:00.0  turn sways 6 throughout, every 4s
0:00.0  nod sways 2 throughout, every 3s
"""
DART = """\
scene dart
length 0:09.6

0:00.05  turn left 60, snap
0:00.05  nod down 30, snap
0:01.5   turn right 60, snap
0:01.5   nod up 35, snap
0:03.5   turn left 20, snap
0:04.0   nod down 20, snap
0:06.0   home, easy
"""


def _folder(path: Path, aware: bool) -> Path:
    text = TEXT.replace("friction_kgcm = 0.4", "friction_kgcm = 0.4\ntorque_aware = true") if aware else TEXT
    path.mkdir()
    (path / "figure.toml").write_text(text)
    (path / "idle.scene").write_text(IDLE)
    (path / "dart.scene").write_text(DART)
    (path / "event.toml").write_text('idle = "idle"\n')
    return path


@pytest.fixture(scope="module")
def shows(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, BuiltShow]:
    base = tmp_path_factory.mktemp("aware")
    return {aware: build_show(_folder(base / str(aware), aware)) for aware in (False, True)}


def test_the_key_is_read() -> None:
    read = parse_figure(TEXT.replace("ramp_s", "torque_aware = true\nramp_s", 1).encode())
    assert [axis.torque_aware for axis in read.axes.values()] == [True, False]


def test_moves_are_stretched_less_and_still_followed(shows: dict[bool, BuiltShow]) -> None:
    usual, aware = shows[False], shows[True]

    def arrives_s(show: BuiltShow, axis: str) -> float:
        wish = show.planned.timelines["dart"].axes[axis].wish_rad
        return float(np.argmax(wish >= 0.999 * wish[:1500].max())) / 1000.0

    for axis, less in (("turn", 0.75), ("nod", 0.85)):
        assert arrives_s(aware, axis) < less * arrives_s(usual, axis), axis
        wish = aware.planned.timelines["dart"].axes[axis].wish_rad
        plan = aware.planned.plans["dart"][axis]
        time_s = np.arange(len(wish) - 1) * 1e-3
        done = track_motion([plan.spec], [plan.points.astype(float)], time_s).angle[:, 0]
        assert np.degrees(np.sqrt(np.mean((done - wish[:-1]) ** 2))) < 0.5, axis
    assert all(item.code != "torque" for item in aware.planned.timelines["dart"].shortfalls)


def test_loops_and_transitions_keep_the_calm_bounds(shows: dict[bool, BuiltShow]) -> None:
    show = shows[True]
    specs, plans, table = show.planned.specs, show.planned.plans, show.table
    fast = 0
    for name, spec in specs.items():
        assert spec.calm_bounds is not None
        loop, scene = plans["idle"][name], plans["dart"][name]
        fast += int(np.abs(np.diff(scene.points)).max() > spec.calm_bounds[0])
        fast += int(np.abs(np.diff(scene.points, 2)).max() > spec.calm_bounds[1])
        calm = spec.calm
        assert fade_oracle.worst(fade_oracle.entering(loop, table.fade_in["idle"])).within(calm)
        for entered, item in table.rows["idle"].items():
            if entered == "dart" and item.delay_frames >= item.fade_frames:
                leaves = fade_oracle.leaving(loop, None, item.fade_frames, 0, 0)
            else:
                to = None if entered is None else plans[entered][name]
                fade_in = table.fade_in.get(entered or "", 0)
                leaves = fade_oracle.leaving(loop, to, item.fade_frames, item.delay_frames, fade_in)
            assert fade_oracle.worst(leaves).within(calm), entered
        starts = np.unique(np.linspace(spec.low, spec.high, 33).astype(np.int64))
        settles = fade_oracle.worst(fade_oracle.settling(spec, starts, table.settle_frames))
        assert max(settles.d1 - calm.bounds[0], settles.d2 - calm.bounds[1], settles.d3 - calm.bounds[2]) <= 0
        certificate = show.certificate[name]
        bounds = (certificate.velocity.bound, certificate.acceleration.bound, certificate.jerk.bound)
        assert bounds == spec.bounds
    assert fast, "else it proves nothing"


def test_a_stop_from_any_moment_of_a_fast_scene_keeps_within_stall_torque(
    shows: dict[bool, BuiltShow],
) -> None:
    """The stop as FORMAT.md words it, by the oracle; the head's dynamics; the whole line of the servo."""
    show = shows[True]
    figure, plans = show.figure, show.planned.plans["dart"]
    loads = FigureLoads(figure)
    stops = {name: fade_oracle.stopping(plan, show.table.stop_frames) for name, plan in plans.items()}
    frames = show.table.stop_frames
    for moment in range(0, len(next(iter(stops.values())))):
        time_s = np.arange(0.0, (frames - 2) * 0.02, 0.004)
        columns = {}
        for name, plan in plans.items():
            move = track_motion([plan.spec], [stops[name][moment].astype(float)], time_s)
            columns[plan.spec.servo] = (move.angle[:, 0], move.speed[:, 0], move.acceleration[:, 0])
        axes = loads.axes(columns)
        for linkage in loads.linkages:
            own = TrackMotion(*(columns[linkage.servos[0]][order][:, None] for order in range(3)))
            over = overload(loads.load(linkage, axes), own, Line(1.0, 0.0, 0.02))
            assert over.max() <= 0.0, (linkage.axes, moment)


def test_a_stop_is_given_the_time_that_braking_takes(shows: dict[bool, BuiltShow]) -> None:
    """From 1.875 v / t = the spare 15 % of stall torque over inertia, rounded up to whole common knots."""
    show = shows[True]
    needed_s = 0.0
    for name, plan in show.planned.plans["dart"].items():
        stall, inertia = 1.2748645, 0.0155910932
        fastest = np.abs(np.diff(plan.points)).max() / abs(plan.spec.value_per_rad) / plan.spec.knot_s
        needed_s = max(needed_s, 1.875 * fastest * inertia / (0.15 * stall))
        assert name in ("turn", "nod")
    frames = 6 * math.ceil(needed_s / 0.12)
    assert show.table.stop_frames == frames
    assert least_stop_frames([], {}) == 6


def test_what_is_played_keeps_what_is_told(shows: dict[bool, BuiltShow]) -> None:
    checked = check_built(shows[True])
    of_scenes = [item for item in checked.report.findings if item.scene is not None]
    assert "torque" not in [item.code for item in of_scenes]
    report = checked.report.as_json()["scenes"]
    for scene, axis in itertools.product(("idle", "dart"), ("turn", "nod")):
        channel = report[scene]["channels"][axis]
        for quantity, peak in channel["peak"].items():
            assert peak <= channel["limit"][quantity], (scene, axis, quantity)


def test_quick_limits_are_those_of_moves_that_keep_the_line() -> None:
    """A move by the default law at 85 % of them, judged at moments that were not sampled."""
    figure = all_aware(two_axes())
    loads = FigureLoads(figure)
    slow = 1.0 + figure.board.clock_error
    for name, linkage in zip(figure.axes, loads.linkages, strict=True):
        known, quick = limits(figure, name), quick_limits(figure, name)
        assert quick.acceleration_rad_s2 > 1.2 * known.acceleration_rad_s2
        low, high = figure.axes[name].range_rad
        for far, way in itertools.product((0.15, 0.4, 0.9), (1.0, -1.0)):
            length = far * (high - low)
            lasts = max(
                1.875 * length * slow / (0.85 * quick.velocity_rad_s),
                math.sqrt(10 / math.sqrt(3) * length / (0.85 * quick.acceleration_rad_s2)) * slow,
                (60 * length / (0.85 * quick.jerk_rad_s3)) ** (1 / 3) * slow,
            )
            u = np.linspace(0.0, 1.0, 211)[:, None]
            begin = low if way > 0.0 else high
            motion = TrackMotion(
                begin + way * length * (10 * u**3 - 15 * u**4 + 6 * u**5),
                way * length / lasts * (30 * u**2 - 60 * u**3 + 30 * u**4),
                way * length / lasts**2 * (60 * u - 180 * u**2 + 120 * u**3),
            )
            others = {other: np.full(len(u), axis.home_rad) for other, axis in figure.axes.items()}
            over = overload(loads.still(linkage, others), motion, Line(0.85, 0.01, 0.0))
            assert over.max() <= 0.005, (name, far, way)


def test_an_axis_that_does_not_ask_is_as_it_was(shows: dict[bool, BuiltShow]) -> None:
    for spec in shows[False].planned.specs.values():
        assert spec.calm is spec
    one = two_axes()
    axes = {**one.axes, "nod": dataclasses.replace(one.axes["nod"], torque_aware=True)}
    figure = dataclasses.replace(one, axes=axes)
    assert limits(figure, "nod") == limits(one, "nod")


def test_live_control_keeps_the_calm_bounds(shows: dict[bool, BuiltShow]) -> None:
    for spec in shows[True].planned.specs.values():
        assert LiveTrack(spec).spec.bounds == spec.calm_bounds
