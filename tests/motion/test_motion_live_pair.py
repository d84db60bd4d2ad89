"""Live pairs: both tracks' points, and every way to rest, stay in the polygon; targets in it are reached."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import InputError, PlanError
from sequencer.motion.certificate import certify
from sequencer.motion.live import LiveTrack
from sequencer.motion.live_pair import LivePair
from sequencer.motion.model import PairFace, PairSpec, TrackSpec
from sequencer.motion.polygon import certify_pair
from tests.motion.live_track import BASE
from tests.motion.made_pair import Bent

LENGTH = 8192
ROOM = 7000
LEFT = replace(BASE, name="left", axis="neck", servo="left", low=-ROOM, high=ROOM, group="neck")
RIGHT = replace(LEFT, name="right", servo="right", pin=8, bounds=(900, 300, 250))


def face(turn_rad: float, distance: float) -> PairFace:
    """The half-plane whose normal points in ``turn_rad``, its edge ``distance`` (LSB) from the middle."""
    a, b = round(LENGTH * math.cos(turn_rad)), round(LENGTH * math.sin(turn_rad))
    return PairFace(a, b, round(LENGTH * distance))


def diamond(distance: float = 3000.0, corners: int = 4) -> PairSpec:
    turns = (np.arange(corners) + 0.5) * 2 * np.pi / corners
    return PairSpec("neck", ("left", "right"), tuple(face(float(turn), distance) for turn in turns))


@st.composite
def pairs(draw: st.DrawFn) -> tuple[PairSpec, tuple[TrackSpec, TrackSpec]]:
    """A polygon about home with three to eight faces, some near, and tracks of very different limits."""
    room = draw(st.sampled_from((60, 1000, 20_000)))
    specs = tuple(
        replace(
            spec,
            low=-room,
            high=room,
            bounds=tuple(draw(st.integers(least, 50 * least)) for least in (6, 12, 24)),
        )
        for spec in (LEFT, RIGHT)
    )
    corners = draw(st.integers(3, 8))
    turned = draw(st.floats(0.0, 6.0))
    faces = tuple(
        face(
            turned + 2 * math.pi * (k + draw(st.floats(-0.2, 0.2))) / corners,
            room * draw(st.floats(0.1, 1.0)),
        )
        for k in range(corners)
    )
    return PairSpec("neck", ("left", "right"), faces), (specs[0], specs[1])


class Stage:
    """A pair and all that was sent to it."""

    def __init__(self, pair: PairSpec, specs: tuple[TrackSpec, TrackSpec]) -> None:
        self.live = LivePair(pair, specs)
        self.specs = specs
        self.sent = [[spec.rest] * 3 for spec in specs]

    def tick(self, targets: tuple[float, float] | None) -> bool:
        """Send one knot; whether both rest on their targets."""
        ticks = self.live.tick(targets)
        for points, tick in zip(self.sent, ticks, strict=True):
            points.append(tick.point)
        return all(tick.resting for tick in ticks)

    def settle(self, targets: tuple[float, float], most: int) -> int:
        for knots in range(1, most + 1):
            if self.tick(targets):
                return knots
        raise AssertionError(f"not at {targets} after {most} knots: {[p[-1] for p in self.sent]}")

    def certify(self) -> None:
        """All that was sent, and the tails, for each track and for the pair."""
        both = [points + list(tail) for points, tail in zip(self.sent, self.live.tail(), strict=True)]
        for spec, points in zip(self.specs, both, strict=True):
            certify(spec, points, scene="live", after=points[-1:] * 3)
        certify_pair(self.live.pair, self.specs, [np.array(p) for p in both], scene="live", loop=False)


def wandering(room: int) -> st.SearchStrategy[tuple[float, float] | None]:
    anywhere = st.floats(-1.5 * room, 1.5 * room)
    corner = st.sampled_from((-float(room), float(room)))
    return st.one_of(st.tuples(anywhere, anywhere), st.tuples(corner, corner), st.none())


@settings(max_examples=60)
@given(st.data())
def test_any_stream_and_every_tail_stay_in_the_polygon(data: st.DataObject) -> None:
    stage = Stage(*data.draw(pairs()))
    room = stage.specs[0].high
    for _ in range(data.draw(st.integers(1, 8))):
        targets = data.draw(wandering(room))
        for knot in range(data.draw(st.integers(1, 9))):
            trembling = targets and (targets[0] + 0.4 * (knot % 3), targets[1] - 0.7 * (knot % 2))
            stage.tick(trembling)
            stage.certify()
    tails = stage.live.tail()
    assert stage.live.stop() == tails
    assert not any(track.moving for track in stage.live.tracks)


@settings(max_examples=60)
@given(st.data())
def test_any_target_is_reached_or_its_nearest_and_held(data: st.DataObject) -> None:
    stage = Stage(*data.draw(pairs()))
    room = stage.specs[0].high
    for _ in range(data.draw(st.integers(0, 4))):
        targets = data.draw(wandering(room))
        for _ in range(5):
            stage.tick(targets)
    goal = data.draw(st.tuples(st.floats(-room, room), st.floats(-room, room)))
    # braking, a way along a face at a fraction of the pace, some short ones off faces: no wandering about
    paces = [
        abs(asked - track.tail()[-1]) / track.brake.velocity
        for asked, track in zip(goal, stage.live.tracks, strict=True)
    ]
    stage.settle(goal, most=400 + round(6 * max(paces)))
    stage.certify()
    here = [points[-1] for points in stage.sent]
    assert stage.tick(goal)
    assert [points[-1] for points in stage.sent] == here
    # no integers that are clearly inside are clearly nearer: two roundings keep off the faces
    grid = np.array(here)[:, None, None] + np.stack(np.meshgrid(*[np.arange(-30, 31)] * 2))
    free = (np.abs(grid) <= room).all(axis=0)
    for each in stage.live.pair.faces:
        kept_off = 2.0 * (abs(each.a) + abs(each.b))
        free &= each.a * grid[0] + each.b * grid[1] <= each.inner - kept_off
    distance = np.hypot(grid[0] - goal[0], grid[1] - goal[1])
    assert math.dist(here, goal) <= np.min(distance, where=free, initial=np.inf) + 1.5


@pytest.mark.parametrize("goal", [(0, 2500), (-2500, 0), (1500, 1500), (4100, 4)])
def test_a_move_in_free_space_takes_no_longer_than_the_slower_track(goal: tuple[int, int]) -> None:
    stage = Stage(diamond(), (LEFT, RIGHT))
    knots = stage.settle((float(goal[0]), float(goal[1])), 100)
    alone = []
    for spec, target in zip((LEFT, RIGHT), goal, strict=True):
        live = LiveTrack(spec)
        alone.append(next(n for n in range(1, 100) if live.tick(float(target)).resting))
    assert knots == max(alone)


def test_it_slides_along_a_face_from_corner_to_corner() -> None:
    stage = Stage(diamond(), (LEFT, RIGHT))
    corner = 3000.0 * math.sqrt(2.0)
    stage.settle((corner, 0.0), 100)
    first = np.array([points[-1] for points in stage.sent])
    knots = stage.settle((0.0, corner), 100)
    second = np.array([points[-1] for points in stage.sent])
    assert math.dist(first, (corner, 0.0)) < 6.0
    assert math.dist(second, (0.0, corner)) < 6.0
    # the straight line at the pace of the slower track; some knots to find that nothing else is inside
    slow = LiveTrack(RIGHT)
    assert knots <= 8 + next(n for n in range(1, 100) if slow.tick(float(second[1])).resting)
    stage.certify()


@pytest.mark.parametrize(
    ("asked", "nearest"),
    [
        ((9000.0, 0.0), (3000.0 * math.sqrt(2.0), 0.0)),
        ((9000.0, 9000.0), (3000.0 / math.sqrt(2.0), 3000.0 / math.sqrt(2.0))),
        ((-2500.0, -2500.0), (-3000.0 / math.sqrt(2.0), -3000.0 / math.sqrt(2.0))),
    ],
)
def test_targets_outside_go_to_the_nearest_pair_inside(
    asked: tuple[float, float], nearest: tuple[float, float]
) -> None:
    live = LivePair(diamond(), (LEFT, RIGHT))
    ticks = live.tick(asked)
    assert all(tick.clamped for tick in ticks)
    assert math.dist([tick.target for tick in ticks], nearest) < 6.0
    assert not any(tick.clamped for tick in live.tick((100.0, -100.0)))


def test_no_number_keeps_both_last_targets() -> None:
    live, other = LivePair(diamond(), (LEFT, RIGHT)), LivePair(diamond(), (LEFT, RIGHT))
    live.tick((500.0, -700.0))
    other.tick((500.0, -700.0))
    ticks = live.tick((math.nan, 10.0))
    assert all(tick.kept for tick in ticks)
    assert tuple(replace(tick, kept=False) for tick in ticks) == other.tick((500.0, -700.0))


@given(st.lists(st.tuples(st.integers(-6000, 6000), st.integers(-6000, 6000)), max_size=30))
def test_mirrored_targets_give_mirrored_points(targets: list[tuple[int, int]]) -> None:
    live, mirror = LivePair(diamond(), (LEFT, RIGHT)), LivePair(diamond(), (LEFT, RIGHT))
    for x, y in targets:
        here = [tick.point for tick in live.tick((x, y))]
        assert [-tick.point for tick in mirror.tick((-x, -y))] == here


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_storm_at_the_corners_of_a_linkage(seed: int) -> None:
    bent = Bent()
    one, other, pair = bent.specs()
    stage = Stage(pair, (one, other))
    storm = bent.servo_rad(bent.storm(seed, 20.0))[:: round(one.knot_s * 1000)]
    left, right = (s.value_zero + s.value_per_rad * storm[:, i] for i, s in enumerate((one, other)))
    for targets in zip(left.tolist(), right.tolist(), strict=True):
        stage.tick(targets)
    stage.certify()
    reach = max(
        each.a * x + each.b * y - each.inner for each in pair.faces for x, y in zip(*stage.sent, strict=True)
    )
    assert reach > -40 * LENGTH, "else it was never near a face"


def test_what_cannot_be_a_live_pair_is_refused() -> None:
    with pytest.raises(InputError, match="different knots"):
        LivePair(diamond(), (LEFT, replace(RIGHT, knot_frames=3)))
    with pytest.raises(PlanError, match="nothing of the tracks' ranges"):
        LivePair(PairSpec("neck", ("left", "right"), (face(0.0, -8000.0),)), (LEFT, RIGHT))
    with pytest.raises(InputError, match="no way to rest"):
        LivePair(diamond(), (LEFT, RIGHT), [(3000,) * 3, (3000,) * 3])
    with pytest.raises(InputError, match="no way to rest"):  # the tracks may stop, but not inside
        LivePair(diamond(), (LEFT, RIGHT), [(2600, 3300, 4000), (0, 0, 0)])
