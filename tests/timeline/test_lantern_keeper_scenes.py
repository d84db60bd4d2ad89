"""The demo's scenes: they build without a shortfall, and the storm comes from its script."""

from __future__ import annotations

import importlib.util
import io
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from sequencer.figure.limits import limits as axis_limits
from sequencer.figure.read import read_figure
from sequencer.timeline.build import build_timeline
from sequencer.timeline.midi import import_midi
from sequencer.timeline.model import GRID_S, Timeline
from sequencer.timeline.parse import parse_scene

SHOW = Path(__file__).resolve().parents[2] / "shows" / "lantern_keeper"


@pytest.fixture(scope="module")
def scenes() -> dict[str, Timeline]:
    figure = read_figure(SHOW / "figure.toml")
    limits = {name: axis_limits(figure, name) for name in figure.axes}
    return {path.stem: build_timeline(parse_scene(path), figure, limits) for path in SHOW.glob("*.scene")}


def storm_script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_storm", SHOW / "make_storm.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_four_scenes_and_what_they_are(scenes: dict[str, Timeline]) -> None:
    assert set(scenes) == {"idle", "greet", "storm", "doze"}
    assert [name for name, scene in scenes.items() if scene.loop] == ["idle"]
    assert all(not scene.shortfalls for scene in scenes.values())
    seconds = {name: scene.duration_s for name, scene in scenes.items()}
    assert 24 <= seconds["idle"] <= 36
    assert 9 <= seconds["greet"] <= 15
    assert 15 <= seconds["storm"] <= 25
    assert 20 <= seconds["doze"] <= 30


def test_idle_keeps_to_a_quarter_of_top_speed(scenes: dict[str, Timeline]) -> None:
    figure = read_figure(SHOW / "figure.toml")
    for name, axis in scenes["idle"].axes.items():
        fastest = np.max(np.abs(np.diff(axis.wish_rad))) / GRID_S
        assert fastest <= axis_limits(figure, name).velocity_rad_s / 4


def test_the_storm_asks_for_more_than_the_neck_can_do(scenes: dict[str, Timeline]) -> None:
    figure = read_figure(SHOW / "figure.toml")
    fastest = np.max(np.abs(np.diff(scenes["storm"].axes["turn"].wish_rad))) / GRID_S
    assert fastest > axis_limits(figure, "turn").velocity_rad_s


def test_the_storm_is_what_its_script_writes() -> None:
    stream = io.BytesIO()
    storm_script().storm().save(file=stream)
    assert stream.getvalue() == (SHOW / "storm.mid").read_bytes()


def test_the_storms_score_is_what_its_midi_file_says() -> None:
    assert import_midi(SHOW / "storm.mid", SHOW / "storm.map.toml") == (SHOW / "storm.score").read_text()


def test_lightning_is_far_from_three_flashes_a_second(scenes: dict[str, Timeline]) -> None:
    hits = [step.time_s for step in scenes["storm"].lamps["left_eye"] if step.op == "set"]
    assert len(hits) >= 5
    assert min(np.diff(hits)) > 1.0
