"""The Lantern Keeper's neck and jaw behind their linkages: what the core plays, as poses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from sequencer.figure.linkage import linkages
from sequencer.firmware.compile import write_outputs
from sequencer.motion.peak import evaluate
from sequencer.player.player import Player
from sequencer.scene_views import scene_views
from sequencer.show import BuiltShow, CheckedShow


def test_every_played_pose_is_inside_the_ranges(checked_keeper: CheckedShow) -> None:
    """By forward kinematics of the played control points, ten times a servo frame."""
    built = checked_keeper.built
    for link in built.planned.tracks.behind:
        specs = [next(s for s in built.planned.specs.values() if s.servo == servo) for servo in link.servos]
        ranges = np.array([built.figure.axes[axis].range_rad for axis in link.axes])
        home = np.array([built.figure.axes[axis].home_rad for axis in link.axes])
        for scene in checked_keeper.played.values():
            t = np.arange(scene.frames * 10 + 1) * 0.002
            served = np.stack([evaluate(s, scene.points[s.name], scene.loop, t) for s in specs], axis=1)
            pose = link.axis_rad(served, np.broadcast_to(home, served.shape))
            assert (pose >= ranges[:, 0] - 1e-6).all(), (scene.scene, link.axes)
            assert (pose <= ranges[:, 1] + 1e-6).all(), (scene.scene, link.axes)


def test_from_cue_to_idle_to_hold_no_pair_of_points_leaves_the_polygon(keeper: BuiltShow) -> None:
    pair = keeper.planned.tracks.pairs["neck"]
    places = [list(keeper.planned.specs).index(track) for track in pair.tracks]
    player = Player(keeper.image)
    player.open()
    windows = [player.play(700).window]
    for number in range(len(keeper.scene_names)):
        player.cue(number + 1, number, 1)
        windows.append(player.play(431).window)
        player.hold()
        windows.append(player.play(90).window)
        player.resume()
        windows.append(player.play(777).window)
    one, other = np.concatenate(windows).astype(np.int64)[:, places, 3].T
    assert np.ptp(one) > 300
    for face, proven in zip(pair.faces, keeper.pairs["neck"].faces, strict=True):
        assert (face.a * one + face.b * other).max() <= proven.max <= proven.bound == face.limit


def test_axes_of_the_neck_are_told_by_forward_kinematics(checked_keeper: CheckedShow) -> None:
    built = checked_keeper.built
    (link,) = (item for item in linkages(built.figure) if len(item.axes) == 2)
    names = built.planned.tracks.pairs["neck"].tracks
    for name, scene in checked_keeper.report.scenes.items():
        record = built.contents.scenes[built.contents.number(name)]
        stored = sum(
            len(stream or b"")
            for track, stream in zip(built.contents.tracks, record.tracks, strict=True)
            if track.name in names
        )
        for axis in link.axes:
            report = scene.axes[axis]
            assert report.bytes_per_s * scene.duration_s * 2 == pytest.approx(stored)
            assert max(report.shares().values()) <= 1.0
            steepest = np.abs(np.diff(report.played_rad)).max() / 0.001
            # a mean slope is the velocity somewhere between two samples, the peak is looked for at samples
            assert steepest <= report.peak.velocity_rad_s * (1 + 1e-5)
            wish = built.planned.timelines[name].axes.get(axis)
            if wish is not None:
                error = report.played_rad - wish.asked_rad
                assert np.abs(error).max() == report.max_error_rad
    assert set(scene.servos) == set(built.figure.servos)


def test_the_pages_tables_read_pulses_as_the_linkages_do(checked_keeper: CheckedShow) -> None:
    built = checked_keeper.built
    view = next(view for view in scene_views(checked_keeper) if view.scene == "storm")
    assert {track.name for track in view.tracks} | {t for table in view.tables for t in table.tracks} == set(
        built.planned.specs
    )
    report, played = checked_keeper.report.scenes["storm"], checked_keeper.played["storm"]
    order = list(built.planned.specs)
    for table in view.tables:
        count = table.angle_deg.shape[1]
        pulses = played.pulse_us[:, [order.index(track) for track in table.tracks]]
        low, high = np.array(table.low_us), np.array(table.high_us)
        place = (pulses - low) / (high - low) * (count - 1)
        cell = np.clip(np.floor(place).astype(int), 0, count - 2)
        share = place - cell
        for row, axis in enumerate(table.axes):
            angles = table.angle_deg[row]
            read = np.zeros(len(pulses))
            for corner in np.ndindex(*(2,) * len(table.tracks)):
                weight = np.prod(np.where(corner, share, 1.0 - share), axis=1)
                read += weight * angles[tuple((cell + corner).T)]
            exact = np.degrees(report.axes[axis].played_rad)[::20][: len(read)]
            assert np.abs(read - exact).max() < 0.05, axis


def test_the_certificates_file_tells_the_polygon(keeper: BuiltShow, tmp_path: Path) -> None:
    made = write_outputs(
        *(tmp_path / "out", keeper.contents, keeper.image, keeper.planned.specs, keeper.certificate),
        *(keeper.player, "report", keeper.pairs),
    )
    told = json.loads((tmp_path / "out" / "certificate.json").read_text(encoding="utf-8"))
    assert set(told) == {*keeper.planned.specs, "pairs"}
    assert set(made.contract["certificate"]) == set(keeper.planned.specs)
    neck = told["pairs"]["neck"]
    assert neck["tracks"] == ["neck_left", "neck_right"]
    assert len(neck["faces"]) >= 3
    for face in neck["faces"]:
        assert face["max"] <= face["bound"]
        assert face["scene"]
