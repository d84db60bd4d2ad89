"""Heat over scenes and the busiest evening, and the current of all servos over time."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sequencer import show
from sequencer.check import heat, supply
from sequencer.check.loads import Motion, SceneLoads, ServoLoad
from sequencer.event.duty import busiest_s
from sequencer.event.policy import Policy, Trigger
from sequencer.figure.heat import rise_k, stall_current_a
from sequencer.figure.model import Figure

STEP_S = 0.02


def _scene(
    shares: dict[str, np.ndarray], speeds: dict[str, np.ndarray] | None = None, loop: bool = True
) -> SceneLoads:
    """A scene in which each servo gives these shares of a stall torque of 1 N m; no-load speed 10 rad/s."""
    count = len(next(iter(shares.values())))
    time_s = STEP_S * np.arange(count)
    moving = {name: np.zeros(count) for name in shares} | (speeds or {})
    servos = {
        name: ServoLoad(name, time_s, values, moving[name], np.ones(count), 1.0, 10.0)
        for name, values in shares.items()
    }
    motion = Motion(time_s, {}, {}, {}, moving)
    return SceneLoads("made", loop, count * STEP_S, motion, servos)


@pytest.mark.parametrize(("share", "told"), [(0.249, 0), (0.251, 1)])
def test_rms_torque_on_both_sides_of_the_continuous_share(bust: Figure, share: float, told: int) -> None:
    assert bust.servos["one"].continuous_share == 0.25
    # Half of the time twice the square: RMS is what counts, not the mean and not the peak.
    wave = np.where(np.arange(1000) % 2, share * math.sqrt(2.0), 0.0)
    found = list(heat.findings(bust, {"made": _scene({"one": wave})}, {}))
    assert len(found) == told
    for item in found:
        assert (item.code, item.severity, item.channel) == ("heat", "warning", "one")
        assert item.value == pytest.approx(25.1)
        assert item.limit == pytest.approx(25.0)
        assert "typical" in item.message


def test_a_short_scene_is_a_note_and_says_where_it_is_hottest(bust: Figure) -> None:
    wave = np.full(1000, 0.1)
    wave[600:700] = 0.9
    (item,) = heat.findings(bust, {"made": _scene({"one": wave}, loop=False)}, {})
    assert item.severity == "note"
    assert item.time_s is not None
    assert 12.0 <= item.time_s <= 14.0


def test_a_loop_settles_where_its_mean_square_says(bust: Figure) -> None:
    """Mean heat alone decides where a periodic load settles, whatever its order (linear model)."""
    rng = np.random.default_rng(3)
    wave = rng.uniform(-0.4, 0.4, 500)
    load = _scene({"one": wave}).servos["one"]
    settled = bust.ambient_c + rise_k(bust, bust.servos["one"], float(np.mean(wave**2)))
    assert heat.scene_peak_c(bust, load, loop=True) == pytest.approx(settled, abs=0.5)
    assert heat.scene_peak_c(bust, load, loop=False) < settled


def test_the_busiest_evening_is_told_and_a_longer_cooldown_cures_it(bust: Figure) -> None:
    busy, calm = np.full(500, 0.35), np.full(500, 0.02)
    loads = {"greet": _scene({"one": busy}, loop=False), "idle": _scene({"one": calm})}
    durations = {name: scene.duration_s for name, scene in loads.items()}
    for cooldown_s, told in ((0.0, True), (60.0, False)):
        seconds = busiest_s(Policy("idle", {"beam": Trigger("greet", cooldown_s=cooldown_s)}), durations)
        found = [item for item in heat.findings(bust, loads, seconds) if item.scene is None]
        assert bool(found) == told
        for item in found:
            assert item.channel == "one"
            assert item.value is not None
            assert item.limit is not None
            assert item.value > item.limit


def test_the_evenings_time_is_shared_as_the_triggers_allow() -> None:
    durations = {"greet": 10.0, "storm": 20.0, "idle": 36.0}
    every_third = Policy("idle", {"beam": Trigger("greet", every=3, every_plays="storm", cooldown_s=15.0)})
    # Two greets with 5 s of idle after each, one storm that outlasts its cooldown.
    assert busiest_s(every_third, durations) == {"greet": 20.0, "idle": 10.0, "storm": 20.0}
    assert busiest_s(Policy("idle"), durations) == {"idle": 36.0}
    assert busiest_s(Policy(None, {"beam": Trigger("missing")}), durations) == {}
    assert busiest_s(Policy(), durations) == {}


def test_current_is_torque_over_stall_times_stall_current(bust: Figure) -> None:
    shares = {"one": np.array([0.0, 0.5, -0.5, 1.0, 2.0]), "two": np.zeros(5)}
    seen = supply.scene_current(bust, _scene(shares))
    assert seen.running_a == pytest.approx([0.0, 1.25, 1.25, 2.5, 2.5])
    assert seen.peak_a == pytest.approx(2.5)
    assert seen.starting == ()


def test_servos_that_set_off_together_add_their_stall_currents(bust: Figure) -> None:
    rest = {"one": np.zeros(200), "two": np.zeros(200)}
    both, apart = np.zeros(200), np.zeros(200)
    both[50:], apart[80:] = 2.0, 2.0
    together = supply.scene_current(bust, _scene(rest, {"one": both, "two": both}))
    stalls = [stall_current_a(bust, servo) for servo in bust.servos.values()]
    assert together.peak_a == pytest.approx(sum(stalls))
    assert set(together.starting) == {"one", "two"}
    later = supply.scene_current(bust, _scene(rest, {"one": both, "two": apart}))
    assert later.peak_a < sum(stalls)
    # The supply of 3 A stands one after the other, not both at once; the remedy says so.
    assert not list(supply.findings(bust, later))
    (item,) = supply.findings(bust, together)
    assert (item.code, item.severity) == ("supply", "warning")
    assert item.time_s == pytest.approx(1.0)
    assert item.value == pytest.approx(3.5)
    assert item.limit == 3.0
    assert item.remedy is not None
    assert "later" in item.remedy


@pytest.mark.parametrize(("rating_a", "told"), [(2.0, True), (2.6, False)])
def test_the_moves_alone_against_the_rating(bust: Figure, rating_a: float, told: bool) -> None:
    weak = replace(bust, supply=replace(bust.supply, rating_a=rating_a))
    seen = supply.scene_current(weak, _scene({"one": np.full(50, 0.9)}))
    found = list(supply.findings(weak, seen))
    assert bool(found) == told
    if told:
        assert "moves alone" in found[0].message


def test_the_keepers_evening(checked_keeper: show.CheckedShow) -> None:
    """The demo's own numbers: within its supply, warm but not hot, and said so scene by scene."""
    figure = checked_keeper.built.figure
    for scene in checked_keeper.report.scenes.values():
        assert scene.work is not None
        assert 0.0 < scene.work.average_a < scene.work.peak_a <= figure.supply.rating_a
        stalls = sum(stall_current_a(figure, servo) for servo in figure.servos.values())
        assert scene.work.peak_a <= stalls
    assert not [item for item in checked_keeper.report.findings if item.code in ("heat", "supply")]


def test_the_evening_is_the_scenes_weighted_by_their_seconds(checked_keeper: show.CheckedShow) -> None:
    """Five greets and a storm a round (event.toml: every sixth visitor): heat adds, torques do not."""
    loads = checked_keeper.loads
    seconds = {"greet": 5.0 * loads["greet"].duration_s, "storm": loads["storm"].duration_s}
    total = sum(seconds.values())
    evening = checked_keeper.report.evening
    assert set(evening) == set(checked_keeper.built.figure.servos)
    for name, work in evening.items():
        mean = sum(time_s * loads[scene].servos[name].rms_share ** 2 for scene, time_s in seconds.items())
        assert work.rms_share == pytest.approx(math.sqrt(mean / total))
        quiet, loud = sorted(loads[scene].servos[name].rms_share for scene in seconds)
        assert quiet <= work.rms_share <= loud
