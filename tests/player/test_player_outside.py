"""A byte of an outside memory that changes while it is played: no bound of the certificate is broken."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.player.player import Fault, Played, Player, State
from sequencer.tables.image import build_image, inside_bytes
from sequencer.tables.model import ShowImage
from tests.board.emulated_show import made_show

STORM = 2
FRAMES = 700


def storm_of(player: Player) -> Played:
    player.play(200)
    player.cue(1, STORM, 1)
    return player.play(FRAMES)


def differences(played: Played, knot: int, track: int) -> list[NDArray[np.int64]]:
    """First, second and third differences of a track's control points, one a knot."""
    points = played.window[::1, track, 3].astype(np.int64)[::knot]
    return [np.abs(np.diff(points, order)) for order in (1, 2, 3)]


@pytest.fixture(scope="module")
def exact() -> ShowImage:
    """Every track's bounds are just what its storm and what leads there ask for."""
    show, _ = made_show((2, 4, 7))
    show = replace(show, inputs=())
    player = Player(build_image(show))
    player.open()
    whole = [player.play(1), storm_of(player)]
    tracks = []
    for at, track in enumerate(show.tracks):
        found = [differences(part, track.knot_frames, at) for part in whole]
        bounds = tuple(2 + max(int(part[i].max(initial=0)) for part in found) for i in range(3))
        tracks.append(replace(track, bounds=bounds))
    return replace(show, tracks=tuple(tracks))


def test_a_spoilt_byte_ends_the_show_before_anything_breaks_a_bound(exact: ShowImage) -> None:
    image = build_image(exact, 300)
    inside = inside_bytes(image)
    assert inside < len(image)
    faults = 0
    for at in range(inside, len(image), 7):
        player = Player(image)
        assert player.open() is Fault.OK
        address = player._machine.call("x_image") + at
        player._machine.write(address, bytes([image[at] ^ 0x24]))
        played = storm_of(player)
        dead = played.state == State.FAULT
        faults += bool(dead.any())
        assert not played.pulse_sixteenths[dead].any()
        live = int(np.argmax(dead)) if dead.any() else FRAMES
        for track, record in enumerate(exact.tracks):
            points = played.window[:live, track, 3].astype(np.int64)
            changes = np.flatnonzero(np.diff(points))
            steps = np.abs(np.diff(points))[changes]
            assert steps.max(initial=0) <= record.bounds[0], (at, record.name)
    assert faults >= 10


def test_a_whole_memory_plays_on(exact: ShowImage) -> None:
    player = Player(build_image(exact, 300))
    assert player.open() is Fault.OK
    played = storm_of(player)
    assert (played.state == State.SCENE).sum() > 100
    assert not (played.state == State.FAULT).any()
