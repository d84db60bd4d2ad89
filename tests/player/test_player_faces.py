"""The prover's polygons: the worst of every pair of control points that are played together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.player.machine import Machine
from sequencer.player.player import Player
from tests.player import oracle
from tests.player.oracle import NONE, Activity, Scene, Show, Track, control_points, mul, weight

FAR = 2**30


@st.composite
def pair_shows(draw: st.DrawFn) -> Show:
    """Two tracks that share knots and a third with its own; an idle loop, a scene, another loop."""
    n = draw(st.sampled_from((1, 2, 3, 6)))
    rests = draw(st.lists(st.integers(-30, 30), min_size=3, max_size=3))
    every = [
        Track(knot_frames=knots, rest=rest, parked=rest, low=-60, high=50)
        for knots, rest in zip((n, 3, n), rests, strict=True)
    ]
    scenes = []
    for loop in (True, False, True):
        frames = 6 * draw(st.integers(1, 8))
        points = []
        for track in every:
            spans = frames // track.knot_frames
            count = spans if loop else max(spans - 3, 0)
            inner = draw(st.lists(st.integers(-900, 900), min_size=count, max_size=count))
            ends = [track.rest] * 3
            points.append(inner if loop else ends + inner + ends[: min(3, spans)])
        scenes.append(Scene(frames, loop, points, fade_in=6 * draw(st.integers(1, 6)) if loop else 0))
    return Show(tracks=every, scenes=scenes)


normals = st.tuples(st.integers(-8192, 8192), st.integers(-8192, 8192))


def pairs_of(show: Show, activity: Activity, start: list[list[int]], end: int) -> np.ndarray:
    """(n, 2) control points of tracks 0 and 2, those of the window before first."""
    n = show.tracks[0].knot_frames
    columns = []
    for column, track in enumerate((0, 2)):
        windows = control_points(show, track, [activity], end + 3 * n)
        columns.append(start[column] + [window[3] for window in windows[::n]][: end // n + 3])
    return np.array(columns).T


@settings(max_examples=25, deadline=None)
@given(pair_shows(), normals, st.integers(1, 6), st.integers(0, 4), st.sampled_from((1, 2, NONE)))
def test_leaving_and_entering(
    show: Show, normal: tuple[int, int], fade: int, delay: int, entered: int
) -> None:
    player = Player(oracle.write(show))
    player.open()
    player.watch_faces([(0, 2, *normal, FAR, FAR)])
    worst = player.prove_leaving(0, entered, 6 * fade, 6 * delay)
    assert len(worst) == 4
    if entered == NONE:
        delay = 0
    end = max(6 * fade, 6 * delay + (show.scenes[2].fade_in if entered == 2 else 0))
    n = show.tracks[0].knot_frames
    every = []
    for clock in range(0, show.scenes[0].frames, 6):
        start = [[oracle.point(show, 0, track, clock // n + i) for i in range(3)] for track in (0, 2)]
        leaving = Activity("leave", 0, 0, entered, 6 * fade, 6 * delay, clock)
        every.append(pairs_of(show, leaving, start, end) @ normal)
    assert (worst[3].low, worst[3].high) == (np.concatenate(every).min(), np.concatenate(every).max())

    into = player.prove_entering(0, 6 * fade)[3]
    rests = [[show.tracks[track].rest] * 3 for track in (0, 2)]
    values = pairs_of(show, Activity("enter", 0, left=0, fade=6 * fade), rests, 6 * fade) @ normal
    assert (into.low, into.high) == (values.min(), values.max())


@settings(max_examples=12, deadline=None)
@given(pair_shows(), st.lists(normals, min_size=1, max_size=4), st.integers(1, 8), st.integers(0, 300_000))
def test_settling_begins_at_every_pair_within_all_faces(
    show: Show, sides: list[tuple[int, int]], knots: int, room: int
) -> None:
    one, other = show.tracks[0], show.tracks[2]
    faces = [(0, 2, a, b, FAR, a * one.rest + b * other.rest + room) for a, b in sides]
    player = Player(oracle.write(show))
    player.open()
    player.watch_faces(faces)
    got = player.prove_settling(6 * knots)[3:]
    x, y = np.meshgrid(np.arange(one.low, one.high + 1), np.arange(other.low, other.high + 1))
    inside = np.all([a * x + b * y <= inner for _, _, a, b, _, inner in faces], axis=0)
    n = one.knot_frames

    def faded(values: np.ndarray, rest: int, w: int) -> np.ndarray:
        table = {int(v): rest + mul(w, int(v) - rest) for v in np.unique(values)}
        return np.array([table[int(v)] for v in values])

    worst = []
    for f in range(0, 6 * knots + n, n):
        w = weight(f, 6 * knots)
        c1, c2 = faded(x[inside], one.rest, w), faded(y[inside], other.rest, w)
        worst.append([int((a * c1 + b * c2).max()) for a, b in sides])
    assert [face.high for face in got] == np.max(worst, axis=0).tolist()
    # what the host relies on: one rounding of both points adds at most half of both coefficients
    for (_, _, a, b, _, inner), face in zip(faces, got, strict=True):
        assert face.high <= inner + (abs(a) + abs(b) + 1) // 2


@settings(max_examples=15, deadline=None)
@given(pair_shows(), normals, st.integers(-2_000_000, 2_000_000), st.integers(1, 6))
def test_stopping_early_only_ends_what_is_refused(
    show: Show, normal: tuple[int, int], inner: int, knots: int
) -> None:
    # low..high of the records would end a proof before any face does
    show = replace(show, tracks=[replace(track, low=-32000, high=32000) for track in show.tracks])
    player = Player(oracle.write(show))
    player.open()
    player.watch_faces([(0, 2, *normal, inner, inner)])
    for prove in (
        lambda early: player.prove_stopping(1, 6 * knots, stop_early=early),
        lambda early: player.prove_leaving(0, 1, 6 * knots, 6, stop_early=early),
        lambda early: player.prove_entering(2, 6 * knots, stop_early=early),
    ):
        whole, early = prove(False)[3], prove(True)[3]
        assert (early.high <= inner) == (whole.high <= inner)
        assert early.high <= whole.high


@settings(max_examples=10, deadline=None)
@given(show=pair_shows(), sides=st.lists(normals, min_size=1, max_size=64), knots=st.integers(1, 8))
def test_every_build_agrees(
    host: Callable[[], Machine], show: Show, sides: list[tuple[int, int]], knots: int
) -> None:
    wasm, native = Player(oracle.write(show)), Player(oracle.write(show), machine=host)
    answers = []
    for player in (wasm, native):
        player.open()
        player.watch_faces(
            [(2 * (i % 2), 2 - 2 * (i % 2), *side, FAR, 200_000) for i, side in enumerate(sides)]
        )
        answers.append(
            [
                player.prove_leaving(0, 1, 6 * knots, 6),
                player.prove_stopping(0, 6 * knots),
                player.prove_settling(6 * knots, stop_early=True),
            ]
        )
    assert answers[0] == answers[1]
    assert len(answers[0][0]) == 3 + len(sides)


@pytest.mark.parametrize(
    "face",
    [
        (0, 0, 1, 1, 5, 5),
        (0, 3, 1, 1, 5, 5),
        (0, 1, 1, 1, 5, 5),
        (-1, 2, 1, 1, 5, 5),
        (0, 2, 16385, 1, 5, 5),
        (0, 2, 1, -16385, 5, 5),
        (0, 2, 1, 1, 5, 6),
        (0, 2, 1, 1, 2**30 + 1, 5),
        (0, 2, 1, 1, 2**40, 5),
        (0, 2, 1, 1, 5, -(2**31)),
        (0, 2, 1, 1, 5),
    ],
)
def test_a_face_that_makes_no_sense_is_refused(face: tuple[int, ...]) -> None:
    tracks = [Track(knot_frames=n) for n in (3, 6, 3)]
    show = Show(tracks=tracks, scenes=[Scene(60, True, [None, None, None], fade_in=6)])
    player = Player(oracle.write(show))
    with pytest.raises(ValueError, match="cannot watch"):
        player.watch_faces([(0, 2, 1, 1, 5, 5)])
    player.open()
    player.watch_faces([(0, 2, 1, 1, 5, 5)])
    with pytest.raises(ValueError, match="cannot watch"):
        player.watch_faces([face])
    assert len(player.prove_entering(0, 6)) == 3, "the ones before are forgotten too"
    with pytest.raises(ValueError, match="cannot watch"):
        player.watch_faces([(0, 2, 1, 1, 5, 5)] * 65)
    player.watch_faces([(0, 2, 1, 1, 5, 5)] * 64)
    assert len(player.prove_entering(0, 6)) == 67
    player.open()
    assert len(player.prove_entering(0, 6)) == 3
