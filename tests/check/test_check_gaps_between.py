"""Clearances that every scene keeps and a transition, a stop or the way to rest breaks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sequencer.check import gaps, gaps_between
from sequencer.check.between import Crossing, Job, jobs, shared_out
from sequencer.figure.linkage import linkage_of
from sequencer.finding import Finding
from sequencer.player.player import Player, State
from sequencer.show import BuiltShow, build_show, check_built
from sequencer.tables.image import build_image
from tests.figure.linkage_text import HEAD

IDLE = "scene idle\nloop 0:08.04\n0:01.0  nod down 20 over 1s\n0:05.0  home over 1s\n"
GREET = "scene greet\n0:00.0  jaw open 24 over 0.3s\n0:02.0  home over 0.5s\n"
LATER = "scene greet\n0:01.0  jaw open 24 over 0.3s\n0:03.0  home over 0.5s\n"


def folder(place: Path, clearance: str, **scenes: str) -> Path:
    chin = f'[clearances.chin]\naxis = "jaw"\n{clearance}\n\n'
    (place / "figure.toml").write_text(HEAD.replace("[masses.head]", chin + "[masses.head]"), "utf-8")
    (place / "event.toml").write_text('idle = "idle"\n' if "idle" in scenes else "", "utf-8")
    for file in place.glob("*.scene"):
        file.unlink()
    for name, text in scenes.items():
        (place / f"{name}.scene").write_text(text, "utf-8")
    return place


def gap_findings(built: BuiltShow) -> list[Finding]:
    return [item for item in check_built(built).report.findings if item.code == "gap"]


BELOW_TEN = 'at_most_deg = 12\nwhen = "nod"\nabove_deg = 10'


def test_kept_in_every_scene_and_broken_between_two(tmp_path: Path) -> None:
    """The mouth opens while the head is still on its way up out of the idle loop."""
    built = build_show(folder(tmp_path, BELOW_TEN, idle=IDLE, greet=GREET))
    checked = check_built(built)
    assert not list(gaps.findings(built.figure, checked.report.scenes))
    (found,) = [item for item in checked.report.findings if item.code == "gap"]
    assert (found.severity, found.scene, found.channel) == ("error", "idle", "jaw")
    assert "between `idle` and `greet`" in found.message
    assert "clearance `chin` allows at most open 12" in found.message
    assert found.limit == pytest.approx(12.0)
    assert found.value is not None
    assert 0.0 <= found.value - most_open(built) < 1.0  # which looks every 20 ms only

    (tmp_path / "greet.scene").write_text(LATER, "utf-8")
    assert found.remedy is not None
    assert "first 1.0 s of `greet`" in found.remedy
    assert not gap_findings(build_show(tmp_path))


def most_open(built: BuiltShow) -> float:
    """The jaw's widest angle (deg) with the nod beyond 10, cued at every common knot of one turn of idle."""
    player = Player(built.image)
    player.open()
    while player.play(6).state[-1] != State.IDLE:
        pass
    player.play(240)
    widest = -np.inf
    jaw, neck = (linkage_of(built.figure, axis) for axis in ("jaw", "nod"))
    specs = list(built.planned.specs.values())
    for _ in range(built.contents.scenes[1].frames // 6):
        state = player.snapshot()
        player.cue(1, built.scene_names.index("greet"))
        pulses = player.play(60).pulse_sixteenths.astype(float) / 16.0
        served = {
            spec.servo: ((pulses[:, at] - spec.origin_us) / spec.lsb_us - spec.value_zero)
            / spec.value_per_rad
            for at, spec in enumerate(specs)
        }
        opened, nodded = (
            np.degrees(link.axis_rad(np.stack([served[name] for name in link.servos], axis=1))[:, 0])
            for link in (jaw, neck)
        )
        widest = max(widest, float(np.where(nodded > 10.0, opened, -np.inf).max()))
        player.restore(state)
        player.play(6)
    return widest


UP = (
    "scene {0}\n{1}0:01.0  nod up 7 over 1s\n0:03.0  jaw open {2} over 0.5s\n"
    "0:04.0  jaw home over 0.5s\n0:06.0  home over 1s\n"
)
AT_HOME = 'at_most_deg = 12\nwhen = "nod"\nabove_deg = -5'


def test_a_condition_that_holds_at_home_breaks_fades_and_ways_to_rest(tmp_path: Path) -> None:
    """Head up and mouth wide, and home: together the nod comes below its angle before the jaw is shut."""

    def show(open_deg: int) -> BuiltShow:
        scenes = {
            "idle": UP.format("idle", "loop 0:08.04\n", open_deg),
            "bow": UP.format("bow", "", open_deg),
            "greet": "scene greet\n0:01.0  nod up 5 over 1s\n0:03.0  home over 1s\n",
        }
        return build_show(folder(tmp_path, AT_HOME, **scenes))

    built = show(24)
    assert not list(gaps.findings(built.figure, check_built(built).report.scenes))
    found = gap_findings(built)
    said = " ".join(item.message for item in found)
    for where in ("between `idle` and `greet`", "between `idle` and `bow`", "from a stop at"):
        assert where in said
    assert {item.remedy for item in found} == {
        f"keep jaw to open 12 at most all through `{scene}`" for scene in ("idle", "bow")
    }
    assert not gap_findings(show(12))


BOW = (
    "scene bow\n0:01.0  jaw open 24 over 1s\n0:03.0  jaw home over 0.5s\n"
    "0:0{0:.1f}  nod down 25 over 1s\n0:08.0  nod home over 1s\n"
)


def test_a_stop_breaks_what_the_scene_keeps(tmp_path: Path) -> None:
    """A stop takes more from what comes later: the jaw is not quite shut when the nod has just begun."""

    def slowly_stopped(nod_s: float) -> list[Finding]:
        built = build_show(
            folder(tmp_path, 'at_most_deg = 3\nwhen = "nod"\nabove_deg = 2', bow=BOW.format(nod_s))
        )
        contents = replace(built.contents, stop_frames=60)
        reports = check_built(built).report.scenes
        assert not list(gaps.findings(built.figure, reports))
        specs = built.planned.specs
        return list(gaps_between.findings(built.figure, specs, contents, build_image(contents), reports))

    (found,) = slowly_stopped(3.4)
    assert found.scene == "bow"
    assert found.time_s is not None
    assert 2.0 < found.time_s < 3.4
    assert found.message.startswith(f"stopped at {found.time_s:.2f} s of `bow`")
    assert found.remedy is not None
    assert "in `bow` leave 1.7 s between jaw being back at open 3 and nod passing down 2" in found.remedy
    assert not slowly_stopped(3.4 + 1.7)


def test_of_a_scene_that_breaks_it_by_itself_nothing_more_is_said(tmp_path: Path) -> None:
    built = build_show(folder(tmp_path, BELOW_TEN, idle=IDLE, greet=GREET))
    scenes = dict(check_built(built).report.scenes)
    nod = replace(scenes["greet"].axes["nod"], played_rad=scenes["greet"].axes["jaw"].played_rad)
    scenes["greet"] = replace(scenes["greet"], axes={**scenes["greet"].axes, "nod": nod})
    found = gaps_between.findings(built.figure, built.planned.specs, built.contents, built.image, scenes)
    assert list(found) == []


def test_what_is_not_looked_at_is_named_exactly(tmp_path: Path) -> None:
    built = build_show(folder(tmp_path, BELOW_TEN, idle=IDLE, greet=GREET))
    every = jobs(built.contents, built.image)
    most = max(job.frames for job in every)

    def looked_at(most_frames: int) -> Finding:
        found = gaps_between.findings(
            *(built.figure, built.planned.specs, built.contents, built.image, {}, most_frames)
        )
        return next(item for item in found if item.severity == "note")

    note = looked_at(most)
    taken, left_out = shared_out(every, most)
    assert note.code == "gap"
    assert note.message.endswith("; ".join(job.what for job in left_out))
    assert left_out
    assert not {job.what for job in taken} & set(note.message.split(": ")[1].split("; "))
    assert "quarterjack check SHOW" in (note.remedy or "")
    assert looked_at(10).remedy == "make the scenes that they leave shorter"


def test_jobs_share_the_frames_in_their_order() -> None:
    def job(frames: int) -> Job:
        return Job(str(frames), None, frames, lambda: iter(()))

    taken, left_out = shared_out([job(3), job(9), job(4)], 8)
    assert [item.frames for item in taken] == [3, 4]
    assert [item.frames for item in left_out] == [9]


def test_every_moment_is_there_and_is_what_the_prover_saw(tmp_path: Path) -> None:
    """Two ways through the core: each knot cued on the player, and the prover's own enumeration."""
    built = build_show(folder(tmp_path, BELOW_TEN, idle=IDLE, greet=GREET))
    crossings: list[Crossing] = [item for job in jobs(built.contents, built.image) for item in job.play()]
    kinds = [(item.kind, item.left, item.entered) for item in crossings]
    assert kinds == [
        ("settle", None, None),
        ("enter", None, "idle"),
        ("leave", "idle", "greet"),
        *((kind, scene, None) for scene in ("greet", "idle") for kind in ("stop", "return")),
    ]
    player, frames = Player(built.image), built.contents.scenes[1].frames
    player.open()
    item = built.table.rows["idle"]["greet"]
    proofs = {
        "leave": player.prove_leaving(1, 0, item.fade_frames, item.delay_frames),
        "enter": player.prove_entering(1, built.table.fade_in["idle"]),
    }
    leave, stop = crossings[2], crossings[5]
    for crossing in (leave, stop):
        assert crossing.begins.tolist() == list(range(0, frames, 6))
    proofs["stop"] = player.prove_stopping(1, built.table.stop_frames)
    for crossing in (leave, stop, crossings[1]):
        for track, worst in enumerate(proofs[crossing.kind]):
            points = crossing.window[:, :, track].astype(int)
            spec = list(built.planned.specs.values())[track]
            assert points.min() <= worst.low
            assert points.max() >= worst.high
            assert worst.d1 <= np.abs(np.diff(points)).max() <= spec.bounds[0]
            assert worst.d3 <= np.abs(np.diff(points, 3)).max() <= spec.bounds[2]


def test_a_show_without_idle_goes_to_rest_at_the_end_of_a_turn(tmp_path: Path) -> None:
    place = folder(tmp_path, BELOW_TEN, sway=IDLE.replace("idle", "sway"))
    built = build_show(place)
    (crossing,) = [
        item for job in jobs(built.contents, built.image) for item in job.play() if item.kind == "leave"
    ]
    assert (crossing.left, crossing.entered) == ("sway", None)
    rest = [spec.rest for spec in built.planned.specs.values()]
    assert crossing.window[0, -1, :, :].tolist() == [[value] * 4 for value in rest]
