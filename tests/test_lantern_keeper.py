"""The demo show end to end: sizes, limits, and every transition really played by the core."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.figure.facts import facts
from sequencer.figure.report import as_json as figure_json
from sequencer.motion.model import TrackSpec
from sequencer.player.player import Played, Player, State
from sequencer.show import BuiltShow, CheckedShow
from sequencer.tables.image import build_image
from sequencer.tables.model import COMMON_FRAMES, Transition

HEAD = ("turn", "nod", "tilt")


def played_differences(
    played: Played, rows: slice, specs: Mapping[str, TrackSpec]
) -> dict[str, tuple[NDArray[np.int64], list[NDArray[np.int64]]]]:
    """Track -> (its control points, their differences of order 1..3), from the windows at its knots."""
    found = {}
    for index, spec in enumerate(specs.values()):
        at_knots = played.phase[rows] % spec.knot_frames == 0
        windows = played.window[rows, index][at_knots].astype(np.int64)
        assert np.array_equal(windows[1:, :3], windows[:-1, 1:]), "the window moves one point a knot"
        points = np.concatenate([windows[:, 0], windows[-1, 1:]])
        found[spec.name] = points, [np.diff(points, order) for order in (1, 2, 3)]
    return found


def assert_certified(played: Played, rows: slice, specs: Mapping[str, TrackSpec], where: str) -> None:
    for name, (points, differences) in played_differences(played, rows, specs).items():
        spec = specs[name]
        assert spec.low <= points.min() <= points.max() <= spec.high, f"{name} {where}"
        for order, (difference, bound) in enumerate(zip(differences, spec.bounds, strict=True), start=1):
            assert np.abs(difference).max() <= bound, f"D{order} of {name} {where}"


def idling(keeper: BuiltShow) -> tuple[Player, int]:
    """A player at the first frame at which a cue is answered, fully faded into its idle loop at phase 0."""
    player = Player(keeper.image)
    assert player.open() == 0
    idle = keeper.scene_names.index("idle")
    turn = keeper.contents.scenes[idle].frames
    start = player.play(3000)
    assert start.state[-1] == State.IDLE
    # Let the loop come round to its seam, a whole turn after any fade-in.
    frame = int(start.frame[-1])
    player.play(turn + (-frame) % turn)
    return player, turn


def test_every_moment_of_idle_into_every_scene_and_to_a_stop_is_certified(keeper: BuiltShow) -> None:
    player, turn = idling(keeper)
    specs = keeper.planned.specs
    played_into: set[tuple[int, int]] = set()
    for knot in range(turn // COMMON_FRAMES):
        here = player.snapshot()
        for number, scene in enumerate(keeper.contents.scenes):
            change = keeper.table.rows["idle"][scene.name]
            frames = 2 * COMMON_FRAMES + max(change.fade_frames, change.delay_frames) + 4 * COMMON_FRAMES
            player.restore(here)
            player.cue(1, number, 1)
            played = player.play(frames)
            assert_certified(played, slice(None), specs, f"idle knot {knot} -> {scene.name}")
            assert played.scene[-1] == number
            played_into.add((knot, number))
        player.restore(here)
        player.hold()
        stopped = player.play(keeper.contents.stop_frames + 5 * COMMON_FRAMES)
        assert_certified(stopped, slice(None), specs, f"stop at idle knot {knot}")
        assert stopped.state[-1] == State.HOLD
        player.restore(here)
        player.play(COMMON_FRAMES)
    assert len(played_into) == turn // COMMON_FRAMES * len(keeper.contents.scenes)


def test_a_fade_that_is_too_short_would_be_seen(keeper: BuiltShow) -> None:
    rows = tuple(tuple(Transition(COMMON_FRAMES, 0) for _ in row) for row in keeper.contents.transitions)
    hasty = build_image(dataclasses.replace(keeper.contents, transitions=rows))
    player, turn = idling(dataclasses.replace(keeper, image=hasty))
    number = keeper.scene_names.index("greet")
    broken = 0
    for _ in range(turn // COMMON_FRAMES):
        here = player.snapshot()
        player.cue(1, number, 1)
        played = player.play(8 * COMMON_FRAMES)
        differences = played_differences(played, slice(None), keeper.planned.specs)["turn"][1]
        broken += int(np.abs(differences[2]).max()) > keeper.planned.specs["turn"].bounds[2]
        player.restore(here)
        player.play(COMMON_FRAMES)
    assert broken > 10


def test_the_final_image_proves_what_the_provisional_one_did(keeper: BuiltShow) -> None:
    player = Player(keeper.image)
    player.open()
    names = keeper.scene_names
    found = {(proof.label, proof.track): proof.worst for proof in keeper.table.proofs}
    tracks = [track.name for track in keeper.contents.tracks]
    for loop, row in keeper.table.rows.items():
        for scene, change in row.items():
            entered = 255 if scene is None else names.index(scene)
            worst = player.prove_leaving(names.index(loop), entered, change.fade_frames, change.delay_frames)
            label = f"{loop}->{scene or 'rest'}"
            assert worst == [found[label, track] for track in tracks], label


def test_every_scene_to_its_end_and_back_into_idle_is_certified(keeper: BuiltShow) -> None:
    player, _ = idling(keeper)
    here = player.snapshot()
    for number, scene in enumerate(keeper.contents.scenes):
        if scene.loop:
            continue
        player.restore(here)
        player.cue(1, number, 1)
        played = player.play(scene.frames + 600)
        assert_certified(played, slice(None), keeper.planned.specs, f"{scene.name} and back")
        assert [item.what.name for item in played.happened] == ["STARTED", "ENDED"]
        assert (played.state == State.SCENE).sum() >= scene.frames
        assert played.state[-1] == State.IDLE


@pytest.mark.parametrize("second", [0.5, 3.0, 7.7, 13.3])
def test_hold_from_the_storm_and_back_is_certified(keeper: BuiltShow, second: float) -> None:
    player, _ = idling(keeper)
    storm = keeper.scene_names.index("storm")
    player.cue(1, storm, 1)
    running = player.play(round(second * 50) + 100)
    player.hold()
    stopped = player.play(keeper.contents.stop_frames + 200)
    assert stopped.state[-1] == State.HOLD
    still = stopped.pulse_sixteenths[-20:]
    assert np.all(still == still[0]), "held still"
    player.resume()
    back = player.play(keeper.contents.settle_frames + 200)
    assert back.state[-1] == State.IDLE
    for played, where in ((running, "storm"), (stopped, "hold"), (back, "resume")):
        assert_certified(played, slice(None), keeper.planned.specs, where)


def test_start_is_staged_and_certified(keeper: BuiltShow) -> None:
    player = Player(keeper.image)
    player.open()
    played = player.play(800)
    first = [int(np.flatnonzero(played.pulse_sixteenths[:, track])[0]) for track in range(4)]
    assert first[0] >= keeper.contents.boot_frames
    assert np.all(np.diff(first) == keeper.contents.stagger_frames), "one servo after the other"
    assert_certified(played, slice(max(first), None), keeper.planned.specs, "settle")


def test_bytes_per_second_averaged_over_the_scenes(checked_keeper: CheckedShow) -> None:
    scenes = checked_keeper.report.scenes.values()
    seconds = sum(scene.duration_s for scene in scenes)
    average = {
        axis: sum(scene.axes[axis].bytes_per_s * scene.duration_s for scene in scenes) / seconds
        for axis in (*HEAD, "jaw")
    }
    assert all(average[axis] <= 11.0 for axis in HEAD), average
    assert average["jaw"] <= 27.0, average


def test_all_scenes_fit_with_seconds_left_and_nothing_is_wrong(checked_keeper: CheckedShow) -> None:
    report = checked_keeper.report
    assert set(report.scenes) == {"idle", "greet", "storm", "doze"}
    assert report.room.bytes_free > 0
    assert report.room.seconds_left > 0
    assert report.ok
    assert not [item for item in report.findings if item.severity != "note"]


def test_peaks_keep_their_limits_and_certificates_their_bounds(checked_keeper: CheckedShow) -> None:
    built = checked_keeper.built
    for scene in checked_keeper.report.scenes.values():
        for axis in scene.axes.values():
            assert max(axis.shares().values()) <= 1.0
        for servo in scene.servos.values():
            certified = built.certificate[servo.track]
            assert servo.peak.velocity_lsb <= certified.velocity.max <= certified.velocity.bound
            assert servo.peak.acceleration_lsb <= certified.acceleration.max <= certified.acceleration.bound
            assert servo.peak.jerk_lsb <= certified.jerk.max <= certified.jerk.bound
            assert certified.position.lower <= certified.position.min <= servo.peak.min_lsb
            assert servo.peak.max_lsb <= certified.position.max <= certified.position.bound


def test_check_and_figure_say_the_same_limits_and_every_peak_keeps_them(checked_keeper: CheckedShow) -> None:
    """Of the JSON that others read: an axis of the pair has the limit that its servos imply together."""
    sheet = figure_json(facts(checked_keeper.built.figure))
    said = checked_keeper.report.as_json()
    for scene in said["scenes"].values():
        for name, channel in scene["channels"].items():
            if channel["kind"] != "axis":
                continue
            assert channel["limit"] == pytest.approx(sheet["axes"][name]["limit"])
            for quantity, peak in channel["peak"].items():
                assert peak <= sheet["axes"][name]["limit"][quantity]


def test_the_core_plays_exactly_the_planned_points(checked_keeper: CheckedShow) -> None:
    for scene, plans in checked_keeper.built.planned.plans.items():
        for track, plan in plans.items():
            assert np.array_equal(checked_keeper.played[scene].points[track], plan.points), (scene, track)


def test_storm_works_the_machine(checked_keeper: CheckedShow) -> None:
    """The demo must show limits at work: a storm that stays far below them would prove little."""
    storm = checked_keeper.report.scenes["storm"]
    assert max(max(axis.shares().values()) for axis in storm.axes.values()) > 0.75
    assert max(axis.max_error_rad for axis in storm.axes.values()) > np.radians(1.0)
