"""From axis wishes through linkages to tracks: a bent one-to-one linkage, a pair, and what is left alone."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.errors import PlanError
from sequencer.figure.model import Limits, TrackMap
from sequencer.motion import scene as scene_module
from sequencer.motion.linked import plan_linked, pose_wish
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.motion.peak import on_grid
from sequencer.motion.plan import plan_track
from sequencer.motion.scene import plan_scene
from sequencer.motion.spec import group_specs, track_spec
from sequencer.timeline.model import AxisWish, Timeline
from tests.motion.made_pair import Bent

FLOATS = np.ndarray


class Bar:
    """servo = 2 sin(axis / 1.2) + 0.3 axis: a transmission that falls to a third at the end of the range."""

    axes = ("jaw",)
    servos = ("jaw_servo",)

    def servo_rad(self, axis_rad: FLOATS) -> FLOATS:
        found = 2.0 * np.sin(axis_rad / 1.2) + 0.3 * axis_rad
        return np.where(np.abs(axis_rad) > 1.3, np.nan, found)

    def jacobian(self, axis_rad: FLOATS) -> FLOATS:
        return (2.0 / 1.2 * np.cos(axis_rad / 1.2) + 0.3)[:, :, None]

    def axis_rad(self, servo_rad: FLOATS, near: FLOATS | None = None) -> FLOATS:
        table = np.linspace(-1.45, 1.45, 200_001)
        return np.interp(servo_rad, 2.0 * np.sin(table / 1.2) + 0.3 * table, table)


BAR = Bar()


def bar_spec(velocity: float = 200.0, acceleration: float = 1500.0, jerk: float = 20000.0) -> TrackSpec:
    end = float(BAR.servo_rad(np.array([[1.2]]))[0, 0])
    slope = 300.0
    track = TrackMap(
        *("jaw", "jaw", "jaw_servo", 10, 1500.0, slope),
        *(1500.0 - slope * end, 1500.0 + slope * end, 1500.0, 1500.0, 0.02),
    )
    return track_spec(track, Limits(*np.radians([velocity, acceleration, jerk]).tolist(), {}), knot_frames=2)


def timeline(duration_s: float, **axes: np.ndarray) -> Timeline:
    wishes = {name: AxisWish(name, wish, wish) for name, wish in axes.items()}
    return Timeline("talk", duration_s, False, wishes, {}, {}, ())


def chatter(seed: int, duration_s: float, reach: float = 1.2) -> np.ndarray:
    random = np.random.default_rng(seed)
    t = np.arange(round(duration_s * 1000) + 1) / 1000.0
    wish = np.interp(
        t, np.arange(0.0, duration_s + 0.3, 0.12), random.uniform(-reach, reach, round(duration_s / 0.12) + 3)
    )
    wish *= np.clip(np.minimum(t, duration_s - t) - 0.1, 0.0, 0.4) / 0.4
    return wish


def test_a_slow_wish_comes_back_through_the_linkage() -> None:
    t = np.arange(6001) / 1000.0
    wish = 1.1 * np.sin(np.pi * t / 6.0) ** 4
    plans = plan_scene(timeline(6.0, jaw=wish), {"jaw": bar_spec()}, linkages=[BAR])
    served = on_grid(plans["jaw"].spec, plans["jaw"].points, False)[:, None]
    assert np.abs(BAR.axis_rad(served)[:, 0] - wish).max() < np.radians(0.2)
    # taken as an axis angle, the wish would have been missed by much
    assert np.abs(served[:, 0] - wish).max() > 0.5


def test_an_error_of_the_axis_is_less_than_without_the_ratio_as_weight() -> None:
    spec = bar_spec(120.0, 700.0, 9000.0)

    def error(plan: TrackPlan, wish: np.ndarray) -> float:
        served = on_grid(plan.spec, plan.points, False)[:, None]
        return float(np.sqrt(np.mean((BAR.axis_rad(served)[:, 0] - wish) ** 2)))

    for seed in range(6):
        wish = chatter(seed, 6.0)
        ours = plan_linked(BAR, (spec,), None, wish[:, None], "talk", False, 6.0)[0]
        plain = plan_track(spec, BAR.servo_rad(wish[:, None])[:, 0], "talk", False, 6.0)

        assert error(ours, wish) < error(plain, wish)


def test_a_wish_out_of_reach_is_drawn_home_until_it_is_reached() -> None:
    wish = np.zeros(1201)
    wish[400:800] = 1.6
    pose = pose_wish(timeline(1.2, jaw=wish), BAR, (bar_spec(),))[:, 0]
    assert (pose[:400] == 0.0).all()
    assert (pose[800:] == 0.0).all()
    assert ((pose[400:800] > 1.299) & (pose[400:800] <= 1.3)).all()
    assert np.isfinite(
        plan_scene(timeline(1.2, jaw=wish), {"jaw": bar_spec()}, linkages=[BAR])["jaw"].objective
    )


def test_an_axis_that_the_scene_does_not_mention_stays_at_home() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    specs = {"left": one, "jaw": bar_spec(), "right": other}
    nod = 0.2 * np.sin(np.linspace(0.0, np.pi, 2401)) ** 4
    plans = plan_scene(timeline(2.4, nod=nod), specs, linkages=[BAR, bent], pairs={"neck": pair})
    assert list(plans) == ["left", "jaw", "right"]
    assert set(plans["jaw"].points.tolist()) == {specs["jaw"].rest}
    served = np.stack([on_grid(plans[name].spec, plans[name].points, False) for name in ("left", "right")], 1)
    pose = bent.axis_rad(served)
    assert np.abs(pose[:, 1]).max() < np.radians(0.3)
    assert np.abs(pose[:, 0] - nod).max() < np.radians(0.6)


def test_every_linkages_faults_are_told_once() -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    specs = {"left": one, "jaw": bar_spec(), "right": other}
    wrong = timeline(2.4, nod=np.zeros(7), jaw=np.zeros(9))
    with pytest.raises(PlanError) as caught:
        plan_scene(wrong, specs, linkages=[BAR, bent], pairs={"neck": pair})
    assert len(caught.value.faults) == 2
    with pytest.raises(PlanError, match="no polygon"):
        plan_scene(timeline(2.4), specs, linkages=[BAR, bent])


def test_threads_give_the_same_motion_and_the_same_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    specs = {"left": one, "jaw": bar_spec(), "right": other}
    scene = timeline(2.4, nod=0.2 * np.sin(np.linspace(0.0, np.pi, 2401)) ** 4, jaw=chatter(3, 2.4))
    alone = plan_scene(scene, specs, linkages=[BAR, bent], pairs={"neck": pair})
    monkeypatch.setattr(scene_module, "PARALLEL_POINTS", 0)
    together = plan_scene(scene, specs, linkages=[BAR, bent], pairs={"neck": pair})
    assert list(together) == list(alone)
    for name, plan in alone.items():
        np.testing.assert_array_equal(together[name].points, plan.points)
    with pytest.raises(PlanError) as caught:
        plan_scene(timeline(2.4, nod=np.zeros(7), jaw=np.zeros(9)), specs, linkages=[BAR, bent])
    assert len(caught.value.faults) == 2


def test_tracks_of_a_group_share_knots_and_resolution() -> None:
    maps = Bent().track_maps()
    slow, quick = (Limits(*np.radians(each).tolist(), {}) for each in ([90, 400, 3000], [200, 1200, 15000]))
    alone = [track_spec(track, limit) for track, limit in zip(maps, (slow, quick), strict=True)]
    assert alone[0].knot_frames > alone[1].knot_frames
    together = group_specs(maps, [slow, quick], "neck")
    assert {spec.knot_frames for spec in together} == {alone[1].knot_frames}
    assert len({spec.lsb_exponent for spec in together}) == 1
    assert together[0].lsb_exponent >= alone[1].lsb_exponent
    assert [spec.group for spec in together] == ["neck", "neck"]
    assert (
        together[0].bounds[0] * together[0].lsb_us <= np.degrees(maps[0].us_per_rad) * 90 / 57.29 * 0.02 * 3
    )
