"""Every transition of the demo, played: from each common knot of each loop into each scene and to a stop."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.player.player import Fault, Played, Player, State
from sequencer.show import BuiltShow, build_show, demo_folder


@pytest.fixture(scope="module")
def demo() -> BuiltShow:
    return build_show(demo_folder())


def differences(played: Played, track: int, knot_frames: int) -> list[NDArray[np.int64]]:
    """|D1|, |D2|, |D3| over every window, at the track's knots."""
    windows = played.window[played.phase % knot_frames == 0, track].astype(np.int64)
    return [np.abs(np.diff(windows, d, axis=1)) for d in (1, 2, 3)]


def within(show: BuiltShow, played: Played, what: str) -> None:
    for number, track in enumerate(show.contents.tracks):
        for bound, found in zip(track.bounds, differences(played, number, track.knot_frames), strict=True):
            assert found.max() <= bound, f"{what}: {track.name} {found.max()} > {bound}"
        assert played.window[:, number].min() >= track.low, what
        assert played.window[:, number].max() <= track.high, what


def test_from_every_knot_into_every_scene_and_back_and_to_a_stop(demo: BuiltShow) -> None:
    contents = demo.contents
    idle = [scene.name for scene in contents.scenes].index(contents.idle or "")
    player = Player(demo.image)
    assert player.open() == Fault.OK
    player.play(1200)
    loop = contents.scenes[idle]
    while True:  # to the loop's beginning
        played = player.play(1)
        if played.frame[0] == loop.frames - 1:
            break
    assert played.state[0] == State.IDLE
    player.play(1)
    knots = loop.frames // 6
    table = demo.table.rows[loop.name]
    for knot in range(knots):
        here = player.snapshot()
        for number, scene in enumerate(contents.scenes):
            if number == idle:
                continue
            player.restore(here)
            player.cue(1, number, 1)
            change = table[scene.name]
            lasting = max(change.fade_frames, change.delay_frames) + 30
            within(demo, player.play(lasting), f"{loop.name} at knot {knot} into {scene.name}")
        player.restore(here)
        player.hold()
        stopped = player.play(contents.stop_frames + 30)
        within(demo, stopped, f"stop at knot {knot}")
        assert stopped.state[-1] == State.HOLD
        player.restore(here)
        player.play(6)


def test_whole_scenes_and_the_way_back(demo: BuiltShow) -> None:
    contents = demo.contents
    player = Player(demo.image)
    player.open()
    player.play(1200)
    for number, scene in enumerate(contents.scenes):
        if scene.name == contents.idle:
            continue
        player.cue(1, number, 1)
        played = player.play(scene.frames + 900)
        within(demo, played, f"{scene.name} and back")
        assert (played.state == State.SCENE).sum() >= scene.frames
        assert played.state[-1] == State.IDLE


def test_the_final_image_proves_what_the_provisional_one_did(demo: BuiltShow) -> None:
    player = Player(demo.image)
    player.open()
    names = [scene.name for scene in demo.contents.scenes]
    found = {(proof.label, proof.track): proof.worst for proof in demo.table.proofs}
    tracks = [track.name for track in demo.contents.tracks]
    for loop, row in demo.table.rows.items():
        for scene, change in row.items():
            entered = 255 if scene is None else names.index(scene)
            worst = player.prove_leaving(names.index(loop), entered, change.fade_frames, change.delay_frames)
            label = f"{loop}->{scene or 'rest'}"
            assert worst == [found[label, track] for track in tracks], label
