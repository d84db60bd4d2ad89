"""Ringing findings: on both sides of the limit, only where a wobble was filmed, remedies that work."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from sequencer.check import ringing
from sequencer.check.played import PlayedScene
from sequencer.figure.linkage import Linkage
from sequencer.finding import Finding
from sequencer.motion.model import Mode, Shaping, TrackPlan, TrackSpec
from sequencer.motion.plan import plan_track
from sequencer.motion.stilled import ringing_rad
from tests.motion.conftest import Make

FRAME_S = 0.02
NECK = Mode(3.0, 0.0, 0.03)


@dataclass(frozen=True)
class Moved:
    tracks: tuple[str, ...] = ("turn",)
    axes: Mapping[str, object] = field(default_factory=lambda: {"turn": None})
    linkage: Linkage | None = None


def _played(spec: TrackSpec, points: np.ndarray, loop: bool = False) -> PlayedScene:
    frames = (len(points) - (0 if loop else 3)) * spec.knot_frames
    nothing = np.zeros((frames, 0))
    return PlayedScene(
        "s", loop, frames, {"turn": points}, np.zeros((frames, 1)), nothing, nothing, nothing.astype(bool)
    )


def _found(spec: TrackSpec, points: np.ndarray, shaping: Shaping | None = None) -> list[Finding]:
    plan = TrackPlan(spec, "s", False, points, 0.0, 0, shaping)
    return list(ringing.findings({"turn": spec}, [Moved()], _played(spec, points), {"turn": plan}, FRAME_S))


def _jump(height: int, knots: int = 60) -> np.ndarray:
    points = np.zeros(knots, np.int64)
    points[20:-20] = height
    return points


def _spec(mode: Mode | None = NECK) -> TrackSpec:
    return replace(Make().spec(6), mode=mode)


def test_told_over_the_limit_and_silent_under_it() -> None:
    spec = _spec()
    limit = math.radians(0.05)
    over = next(h for h in range(1, 200) if ringing_rad([spec], [_jump(h)], False, None)[0] > limit)
    assert over > 2
    assert _found(spec, _jump(over - 1)) == []
    told = _found(spec, _jump(over))
    assert told
    for item in told:
        assert (item.code, item.severity, item.scene, item.channel) == ("ringing", "warning", "s", "turn")
        assert (item.limit, item.unit) == (pytest.approx(0.05), "deg")
        assert item.value is not None
        assert 0.05 < item.value < 0.07
        assert item.remedy
        assert item.time_s is not None
        assert round(item.time_s / 0.12) in (20, 21, 22, 40, 41, 42), "where the points jump"


def test_a_wobble_that_nobody_filmed_is_not_judged() -> None:
    assert _found(_spec(None), _jump(1000)) == []


def test_the_worst_moves_only_in_the_order_of_time() -> None:
    spec = _spec()
    points = np.zeros(200, np.int64)
    for start, height in ((10, 300), (40, 900), (70, 500), (100, 200), (130, 700)):
        points[start : start + 15] = height
    told = _found(spec, points)
    assert len(told) == ringing.MOST
    times = [item.time_s for item in told]
    assert times == sorted(times)  # type: ignore[type-var]
    assert max(item.value for item in told) == pytest.approx(  # type: ignore[type-var]
        math.degrees(ringing_rad([spec], [points], False, None)[0])
    )


def test_the_time_that_the_remedy_gives_is_enough() -> None:
    """The same move over the time that the finding says: planned anew, it is still without any taps."""
    spec = _spec()
    loose = replace(spec, mode=None)

    def turned(seconds: float) -> np.ndarray:
        t = np.arange(9601) / 1000.0
        u = np.clip((t - 1.0) / seconds, 0.0, 1.0) - np.clip((t - 6.0) / seconds, 0.0, 1.0)
        wish = np.radians(30.0) * (u - np.sin(math.tau * u) / math.tau)
        return plan_track(loose, wish, "s", False, 9.6).points

    told = _found(spec, turned(0.9))
    assert told
    times = [re.search(r"([0-9.]+) times as long", item.remedy or "") for item in told]
    assert all(times)
    needed = max(float(match.group(1)) for match in times if match)
    assert needed > 1.0
    assert _found(spec, turned(0.9 * needed)) == []


def test_at_the_end_of_a_scene_more_time_after_it_is_offered() -> None:
    spec = _spec()
    at_end = _jump(1000)
    at_end[-20:-5] = 1000
    told = _found(spec, at_end)
    assert "let the scene last" in (told[-1].remedy or "")
    assert "let the scene last" not in (told[0].remedy or "")


def test_a_typical_damping_asks_for_a_film() -> None:
    told = _found(_spec(replace(NECK, damping_typical=True)), _jump(1000))
    assert all("film the wobble" in (item.remedy or "") for item in told)


def test_before_and_after_are_told_of_a_shaped_motion() -> None:
    spec = _spec()
    (note,) = _found(spec, _jump(2), Shaping((0.5, 0.5), 0.06, math.radians(0.7)))
    assert (note.severity, note.code, note.channel) == ("note", "ringing", "turn")
    assert "0.7 deg" in note.message
    assert "60 ms later" in note.message
    assert note.value is not None
    assert note.value <= 0.05
    (note,) = _found(spec, _jump(2), Shaping((0.5, 0.5), 0.001, math.radians(0.7)))
    assert "on time" in note.message
    assert _found(spec, _jump(2), Shaping((0.5, 0.5), 0.06, math.radians(0.01))) == []
