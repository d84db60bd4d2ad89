"""A session after edits: the same show as begun anew, only what changed made again, errors survived."""

from __future__ import annotations

import dataclasses
import math
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from sequencer import session as session_module
from sequencer import show
from sequencer.errors import QuarterjackError
from sequencer.motion import cache
from sequencer.motion.certificate import certify
from sequencer.motion.peak import on_grid
from sequencer.session import Session
from sequencer.show import CheckedShow, build_planned, check_built, plan_show
from sequencer.show_folder import demo_folder, read_show
from tests.benchmarks.edit_show import edited, write_show

ALLOWED_DEG = 0.01


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Eight axes, a scene of 48 s, a loop and a short scene."""
    write_show(tmp_path / "show", 48.0)
    return tmp_path / "show"


@pytest.fixture(autouse=True)
def _no_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(cache.VARIABLE, "")


def anew(folder: Path) -> CheckedShow:
    return check_built(build_planned(plan_show(read_show(folder))))


def apart_deg(one: CheckedShow, other: CheckedShow) -> float:
    """The largest distance between two shows' motions."""
    mine, theirs = one.built.planned.plans, other.built.planned.plans
    assert {scene: list(tracks) for scene, tracks in mine.items()} == {
        scene: list(tracks) for scene, tracks in theirs.items()
    }
    return max(
        math.degrees(float(np.abs(_angles(plan) - _angles(theirs[scene][name])).max()))
        for scene, tracks in mine.items()
        for name, plan in tracks.items()
    )


def _angles(plan: object) -> np.ndarray:
    return on_grid(plan.spec, plan.points, plan.loop)  # type: ignore[attr-defined]


def told(checked: CheckedShow) -> list[tuple[object, ...]]:
    """Findings but for the last digits of what was measured."""
    return [
        (item.code, item.severity, item.scene, item.channel, item.message) for item in checked.report.findings
    ]


def edits(folder: Path) -> Iterator[str]:
    """One edit after the other, each named."""
    scene = folder / "evening.scene"
    text = scene.read_text(encoding="utf-8")
    scene.write_text(edited(text, 20.0), encoding="utf-8")
    yield "a cue"
    scene.write_text(edited(edited(text, 20.0), 9.0), encoding="utf-8")
    yield "a second cue"
    scene.write_text(text, encoding="utf-8")
    yield "both back"
    loop = folder / "idle.scene"
    loop.write_text(edited(loop.read_text(encoding="utf-8"), 12.0), encoding="utf-8")
    yield "the loop"
    (folder / "greet.scene").unlink()
    yield "a scene gone"
    figure = folder / "figure.toml"
    figure.write_text(figure.read_text(encoding="utf-8").replace("rating_a = 15.0", "rating_a = 2.0"))
    yield "the figure"


def test_every_edit_gives_what_beginning_anew_gives(folder: Path) -> None:
    session = Session(folder)
    session.refresh()
    for what in edits(folder):
        mine, fresh = session.refresh(), anew(folder)
        assert apart_deg(mine, fresh) < ALLOWED_DEG, what
        assert told(mine) == told(fresh), what
        for scene, plans in mine.built.planned.plans.items():
            for plan in plans.values():
                certify(plan.spec, plan.points, scene=scene, loop=plan.loop)
                # What is played is what was planned, not something from before.
                assert np.array_equal(mine.played[scene].points[plan.spec.name], plan.points), what


def test_measures_after_an_edit_are_those_of_the_same_motion_measured_anew(folder: Path) -> None:
    session = Session(folder)
    session.refresh()
    scene = folder / "evening.scene"
    scene.write_text(edited(scene.read_text(encoding="utf-8"), 20.0), encoding="utf-8")
    mine = session.refresh()
    built = build_planned(mine.built.planned)
    assert built.image == mine.built.image
    assert built.certificate == mine.built.certificate
    assert built.table == mine.built.table
    fresh = check_built(built)
    for name, loads in fresh.loads.items():
        for servo, load in loads.servos.items():
            own = mine.loads[name].servos[servo]
            np.testing.assert_allclose(own.torque_n_m, load.torque_n_m, rtol=1e-9, atol=1e-12)
            np.testing.assert_array_equal(own.speed_rad_s, load.speed_rad_s)
    for name, report in fresh.report.scenes.items():
        own_report = mine.report.scenes[name]
        for axis, facts in report.axes.items():
            own_facts = own_report.axes[axis]
            assert dataclasses.replace(own_facts, played_rad=facts.played_rad) == facts
            np.testing.assert_array_equal(own_facts.played_rad, facts.played_rad)
        assert own_report.table_bytes == report.table_bytes
        assert own_report.work is not None
        assert report.work is not None
        for servo, work in report.work.servos.items():
            assert own_report.work.servos[servo].winding_c == pytest.approx(work.winding_c)
    assert mine.report.findings == fresh.report.findings


def test_the_lantern_keepers_linkages_after_an_edit(tmp_path: Path) -> None:
    folder = tmp_path / "keeper"
    shutil.copytree(demo_folder(), folder)
    session = Session(folder)
    before = session.refresh()
    scene = folder / "greet.scene"
    text = scene.read_text(encoding="utf-8")
    scene.write_text(text.replace("nod down 2 over", "nod down 7 over"), encoding="utf-8")
    mine, fresh = session.refresh(), anew(folder)
    assert apart_deg(mine, before) > 0.5
    assert apart_deg(mine, fresh) < ALLOWED_DEG
    assert told(mine) == told(fresh)


def test_nothing_changed_makes_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = Session(folder)
    first = session.refresh()

    def fail(*_: object, **__: object) -> object:
        raise AssertionError("made again")

    for name in (
        "sequencer.figure.read.read_figure",
        "sequencer.timeline.parse.parse_scene",
        "sequencer.timeline.build.build_timeline",
        "sequencer.motion.torque_aware.plan_scene_with_torque",
        "sequencer.tables.assemble.encode_track",
        "sequencer.check.loads.scene_loads",
        "sequencer.check.report.scene_report",
        "sequencer.check.played.Player",
    ):
        monkeypatch.setattr(name, fail)
    for _ in range(4):
        again = session.refresh()
    assert again.built.image == first.built.image
    assert again.report.findings == first.report.findings


def test_a_fault_is_told_and_the_session_goes_on(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = Session(folder)
    first = session.refresh()
    scene = folder / "evening.scene"
    text = scene.read_text(encoding="utf-8")
    scene.write_text(text + "0:20.0  turn sideways 10\n", encoding="utf-8")
    for _ in range(4):
        with pytest.raises(QuarterjackError, match="sideways"):
            session.refresh()
    scene.write_text(text, encoding="utf-8")

    def fail(*_: object, **__: object) -> object:
        raise AssertionError("made again")

    monkeypatch.setattr("sequencer.check.loads.scene_loads", fail)
    assert session.refresh().built.image == first.built.image


def test_a_score_beside_the_scene_is_a_part_of_it(tmp_path: Path) -> None:
    folder = tmp_path / "keeper"
    shutil.copytree(demo_folder(), folder)
    session = Session(folder, ["storm"])
    before = session.refresh()
    score = folder / "storm.score"
    lines = score.read_text(encoding="utf-8").split("\n")
    score.write_text("\n".join(lines[:-8]) + "\n", encoding="utf-8")
    after = session.refresh()
    mine = before.built.planned.timelines["storm"], after.built.planned.timelines["storm"]
    assert mine[0] is not mine[1]


def test_a_sound_that_comes_is_not_missed_any_more(folder: Path) -> None:
    scene = folder / "greet.scene"
    text = scene.read_text(encoding="utf-8")
    text = text.replace("scene greet\n", 'scene greet\nsound "bell.wav" at 0:01\n')
    scene.write_text(text, encoding="utf-8")
    session = Session(folder, ["greet"])
    missing = [item.message for item in session.refresh().report.findings if "bell.wav" in item.message]
    assert missing == ["line 2: there is no sound file `bell.wav` in the show"]
    (folder / "bell.wav").write_bytes(b"RIFF")
    assert not [item for item in session.refresh().report.findings if "bell.wav" in item.message]


def test_only_the_named_scenes_and_the_idle_loop(folder: Path) -> None:
    checked = Session(folder, ["greet"]).refresh()
    assert set(checked.report.scenes) == {"greet", "idle"}


def test_a_mesh_beside_the_figure_is_a_part_of_it(folder: Path) -> None:
    figure = folder / "figure.toml"
    (folder / "skull.stl").write_bytes(b"one")
    figure.write_text('name = "skull.stl"\n')
    before = tuple(session_module._contents(figure))
    (folder / "skull.stl").write_bytes(b"other")
    assert tuple(session_module._contents(figure)) != before


def test_commands_plan_the_same_whatever_was_planned_before(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An image does not depend on the cache: the board's CRC says whether it carries this show."""
    monkeypatch.setenv(cache.VARIABLE, str(tmp_path / "cache"))
    session = Session(folder)
    session.refresh()
    scene = folder / "evening.scene"
    scene.write_text(edited(scene.read_text(encoding="utf-8"), 20.0), encoding="utf-8")
    session.refresh()
    with_cache = show.build_show(folder).image
    assert show.build_show(folder).image == with_cache
    monkeypatch.setenv(cache.VARIABLE, "")
    assert show.build_show(folder).image == with_cache
