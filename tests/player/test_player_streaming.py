"""A scene streamed from the host: the board plays exactly the plan, or comes to a stop and says so."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from sequencer.board.link import Link
from sequencer.board.reports import POWERLESS, RAIL_LOST, News, Trip
from sequencer.board.streaming import Part, SceneStream, Streamed, scene_parts
from sequencer.errors import InputError, LinkError
from sequencer.motion.live import LiveTrack
from sequencer.motion.live_pair import LivePair
from sequencer.motion.model import PairFace, PairSpec, TrackPlan, TrackSpec
from sequencer.player.machine import Machine
from sequencer.tables.extra_guard import SensorRecord, guard_extra
from tests.motion.live_track import BASE
from tests.player.oracle import NONE, Input
from tests.player.test_player_live import JAW, Watched

Host = Callable[[], Machine]

TURN = replace(BASE, name="turn")
LEFT = replace(BASE, name="left", group="neck", low=-3000, high=3000)
RIGHT = replace(LEFT, name="right")
NECK = PairSpec(
    "neck",
    ("left", "right"),
    tuple(PairFace(a, b, 4000) for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))),
)
SPECS = (LEFT, TURN, RIGHT, JAW)
FRAMES = 540


def plan(spec: TrackSpec, points: Sequence[int]) -> TrackPlan:
    """The points, and rest until the scene ends."""
    count = FRAMES // spec.knot_frames + 3
    padded = [spec.rest] * 3 + list(points)
    padded += [spec.rest] * (count - len(padded))
    assert len(padded) == count
    assert len(set(padded[-3:])) == 1
    return TrackPlan(spec, "talk", False, np.array(padded, dtype=np.int64), 0.0, 0)


def moved(spec: TrackSpec, aims: Sequence[float], knots: int) -> list[int]:
    """A legal motion toward each aim for some knots, and back to rest."""
    live = LiveTrack(spec)
    points = [live.tick(aim).point for aim in aims for _ in range(knots)]
    while live.moving or live.last != spec.rest:
        points.append(live.tick(spec.rest).point)
    return points


def moved_pair(aims: Sequence[tuple[float, float]], knots: int) -> tuple[list[int], list[int]]:
    live = LivePair(NECK, (LEFT, RIGHT))
    both = [[t.point for t in live.tick(aim)] for aim in aims for _ in range(knots)]
    while any(track.moving or track.last != 0 for track in live.tracks):
        both.append([t.point for t in live.tick((0.0, 0.0))])
    one, other = np.array(both).T.tolist()
    return one, other


def scene() -> dict[str, TrackPlan]:
    left, right = moved_pair(((2900.0, 900.0), (-2500.0, 1400.0), (0.0, -2900.0)), 16)
    return {
        "left": plan(LEFT, left),
        "turn": plan(TURN, moved(TURN, (6000.0, -5000.0), 22)),
        "right": plan(RIGHT, right),
        "jaw": plan(JAW, moved(JAW, (650.0, -800.0, 700.0, 0.0) * 3, 18)),
    }


class Stage:
    """The streamed scene on a watched board."""

    def __init__(
        self,
        host: Host,
        odds: float = 0.0,
        seed: int = 1,
        inputs: Sequence[Input] = (),
        extras: Mapping[int, bytes] | None = None,
    ) -> None:
        self.watched = Watched(host, SPECS, odds, seed, inputs, extras)
        self.link = Link(self.watched.line)
        self.link.hello(quiet_s=0.2)
        self.link.wait_ready()
        self.phase: int | None = None
        self.plans = scene()
        self.stream = SceneStream(
            self.link, scene_parts(self.plans, [spec.name for spec in SPECS], {"neck": NECK})
        )

    def play(self, pause_at_s: float | None = None, pause_s: float = 0.0, hold: bool = False) -> Streamed:
        left = [pause_at_s]

        def tell(now_s: float) -> None:
            self.find_phase()
            if left[0] is not None and now_s >= left[0]:
                left[0] = None
                self.watched.line.wait(pause_s)

        return self.stream.play(tell, lambda: hold and self.stream._now() > 200)

    def play_until(self, at_s: float, what: Callable[[], None]) -> Streamed:
        """Once, at a second of the scene, something happens; ``heard`` is what the board tells."""
        left = [what]
        self.heard: list[Trip | News] = []

        def tell(now_s: float) -> None:
            self.find_phase()
            if left and now_s >= at_s:
                left.pop()()

        return self.stream.play(tell, hear=lambda trips, news: self.heard.extend([*trips, *news]))

    def levels(self, levels: int) -> None:
        self.watched.machine.call("x_levels", levels)

    def live_points(self, at: int) -> list[int]:
        """What the board played under live control, without rest before and after."""
        spec, watched = SPECS[at], self.watched
        ends = len(watched.states) - watched.states[::-1].index("live")
        news = [
            int(watched.windows[frame][at][3])
            for frame in range(self.phase, ends)
            if (frame - self.phase) % spec.knot_frames == 0
        ]
        return stripped(news, spec.rest)

    def find_phase(self) -> None:
        """The frame in which live control began, at a common knot."""
        while self.phase is None:
            before = len(self.watched.states)
            frame = self.link.status().frame
            if len(self.watched.states) == before:
                self.phase = before - 1 - frame

    def check_played(self, told: Streamed) -> None:
        for at, spec in enumerate(SPECS):
            points = list(told.points[at])
            assert self.live_points(at) == stripped(points, spec.rest), spec.name
            exact = told.exact[at]
            assert points[:exact] == self.plans[spec.name].points[:exact].tolist()
        self.watched.check()
        pairs = np.array([self.watched.points[0], self.watched.points[2]])
        for face in NECK.faces:
            assert (face.a * pairs[0] + face.b * pairs[1]).max() <= face.inner


def stripped(points: list[int], rest: int) -> list[int]:
    moving = [at for at, point in enumerate(points) if point != rest]
    if not moving:
        return []
    # the way's last point stands as long as it likes
    last = moving[-1]
    while last > 0 and points[last - 1] == points[last]:
        last -= 1
    return points[moving[0] : last + 1]


def test_what_is_played_is_the_plan_point_by_point_and_all_tracks_at_once(host: Host) -> None:
    stage = Stage(host)
    told = stage.play()
    assert (told.outcome, told.short) == ("played", None)
    stage.check_played(told)
    # not only each by itself: every window of every frame, as the board's own playing would be
    frames = np.array(stage.watched.windows)
    windows = {
        spec.name: np.lib.stride_tricks.sliding_window_view(stage.plans[spec.name].points, 4)
        for spec in SPECS
    }
    begins = stage.phase + stage.stream._start
    for frame in range(FRAMES):
        for at, spec in enumerate(SPECS):
            assert (frames[begins + frame][at] == windows[spec.name][frame // spec.knot_frames]).all()
    for at, spec in enumerate(SPECS):
        assert told.exact[at] == len(stage.plans[spec.name].points)
    assert stage.link.status().state_words == "idle"
    assert stage.stream.told.refused == 0


@pytest.mark.parametrize("at_s", [0.4, 1.5, 2.9, 4.1, 6.05])
def test_a_host_that_pauses_leads_to_a_stop_and_to_rest_and_it_is_told(host: Host, at_s: float) -> None:
    stage = Stage(host)
    told = stage.play(at_s, 0.5)
    assert told.outcome == "underrun"
    assert told.short is not None
    assert any(told.exact[at] < len(stage.plans[spec.name].points) for at, spec in enumerate(SPECS))
    stage.check_played(told)
    after = stage.watched.states[stage.phase :]
    assert [state for at, state in enumerate(after) if at == 0 or after[at - 1] != state] == [
        "live",
        "settle",
        "idle",
    ]


def test_a_pause_shorter_than_what_the_board_has_is_not_noticed(host: Host) -> None:
    stage = Stage(host)
    told = stage.play(2.0, 0.1)
    assert told.outcome == "played"
    stage.check_played(told)


@pytest.mark.parametrize("seed", range(5))
def test_on_a_bad_line_it_is_the_plan_or_an_underrun(host: Host, seed: int) -> None:
    stage = Stage(host, odds=0.02, seed=seed)
    told = stage.play()
    assert told.outcome in ("played", "underrun")
    stage.check_played(told)


def test_a_hold_comes_to_a_stop_on_the_way_that_the_board_has(host: Host) -> None:
    stage = Stage(host)
    told = stage.play(hold=True)
    assert told.outcome == "stopped"
    assert stage.link.status().state_words == "hold"
    stage.check_played(told)


#: A stop input and the servos' supply; the levels of their pins.
INPUTS = (Input(NONE, kind=2), Input(NONE, kind=3))
CALM, PRESSED, UNPOWERED = 0b01, 0b00, 0b11


def guarded(*, hold: bool, tell_only: bool) -> dict[int, bytes]:
    """A sensor on everything that trips above 100 counts."""
    sensor = SensorRecord(14, 255, 1000, 0, 6, 100, 5, hold=hold, tell_only=tell_only)
    extra = guard_extra([sensor], [60, 60], [None, None])
    assert extra is not None
    return {extra.tag: extra.content}


@pytest.mark.parametrize("at_s", [0.0, 2.0, 8.9])
def test_a_lost_servo_supply_ends_it_as_it_ends_any_scene(host: Host, at_s: float) -> None:
    stage = Stage(host, inputs=INPUTS)
    stage.levels(CALM)
    told = stage.play_until(at_s, lambda: stage.levels(UNPOWERED))
    assert (told.outcome, told.short) == (POWERLESS, None)
    assert stage.heard == [News(RAIL_LOST, 1)]
    assert stage.watched.states[-1] == "boot"
    stage.levels(CALM)
    stage.watched.line.wait(30.0)  # one track after the other
    assert stage.watched.states[-1] == "idle"


def test_a_stop_input_is_told_as_a_hold_and_what_was_played_is_known(host: Host) -> None:
    stage = Stage(host, inputs=INPUTS)
    stage.levels(CALM)
    told = stage.play_until(2.0, lambda: stage.levels(PRESSED))
    assert told.outcome == "stopped"
    assert stage.link.status().state_words == "hold"
    stage.check_played(told)


@pytest.mark.parametrize(
    ("hold", "tell_only", "outcome"),
    [(True, True, "stopped"), (False, True, "played"), (False, False, "played")],
)
def test_a_trip_of_the_stall_guard_is_told(host: Host, hold: bool, tell_only: bool, outcome: str) -> None:
    stage = Stage(host, extras=guarded(hold=hold, tell_only=tell_only))
    told = stage.play_until(2.0, lambda: stage.watched.machine.call("x_counts", 0, 300))
    assert told.outcome == outcome
    assert [(trip.sensor, trip.scene) for trip in stage.heard if isinstance(trip, Trip)] == [(0, 255)]


def test_a_trip_after_the_last_point_is_told_too(host: Host) -> None:
    stage = Stage(host, extras=guarded(hold=False, tell_only=True))
    told = stage.play_until(10.7, lambda: stage.watched.machine.call("x_counts", 0, 300))
    assert told.outcome == "played"
    assert [type(each) for each in stage.heard] == [Trip]


def test_a_reset_that_nobody_heard_is_no_underrun(host: Host) -> None:
    for at_s in (2.0, 10.7):
        stage = Stage(host)
        with pytest.raises(LinkError, match="board reset"):
            stage.play_until(at_s, stage.watched.line.reset)


def test_a_host_that_hangs_in_the_middle_of_a_message_has_run_out_as_well(
    host: Host, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board has gone to rest by then and refuses the point; that is no other trouble than coming late."""
    stage = Stage(host)
    live, left = stage.link.live, [0.9]

    def slow(track: int, at: int, points: Sequence[int]) -> int:
        if len(points) > 3 and stage.stream._now() > 120 and left:
            stage.watched.line.wait(left.pop())
        return live(track, at, points)

    monkeypatch.setattr(stage.link, "live", slow)
    told = stage.play()
    assert told.outcome == "underrun"
    assert told.short in {"neck", "turn", "jaw"}
    stage.check_played(told)


def test_one_track_of_a_pair_is_never_ahead_where_the_mixture_leaves_the_polygon() -> None:
    plans = scene()
    part = Part([0, 2], [plans["left"], plans["right"]], NECK)
    mixed = [
        (one, other)
        for one in range(part.length + 1)
        for other in range(max(0, one - 6), min(part.length, one + 6) + 1)
        if not part.fits(one, other)
    ]
    assert mixed, "this scene has nothing that must not be torn"
    for one, other in mixed:
        assert one != other
        ways = [
            np.array(part.way(which, 0, taken) + (part.point(which, taken, 10**6),) * 40)
            for which, taken in ((0, one), (1, other))
        ]
        count = min(map(len, ways))
        worst = max((f.a * ways[0][:count] + f.b * ways[1][:count] - f.inner).max() for f in NECK.faces)
        assert worst > 0


def test_what_cannot_be_streamed_is_refused_before_anything_moves() -> None:
    loop = replace(scene()["turn"], loop=True)
    with pytest.raises(InputError, match="`talk` is a loop"):
        scene_parts({"turn": loop}, ["turn"], {})
    slow = replace(TURN, bounds=(1161, 60, 60))
    with pytest.raises(InputError, match="turn moves too fast to be streamed"):
        Part([0], [plan(slow, moved(slow, (6000.0,), 20))])
    assert scene_parts({"turn": plan(TURN, [])}, ["turn"], {}) == ()


def test_a_board_that_follows_fewer_tracks_at_a_time_says_so_and_stays_at_rest(
    host: Host, monkeypatch
) -> None:
    stage = Stage(host)
    live, taken = stage.link.live, set()

    def few(track: int, at: int, points: Sequence[int]) -> int:
        """As the Uno's player, which has four ways."""
        if len(points) and track not in taken and len(taken) == 3:
            return 1
        taken.update([track] if len(points) else [])
        return live(track, at, points)

    monkeypatch.setattr(stage.link, "live", few)
    with pytest.raises(LinkError, match="moves more tracks than this board takes from a computer at a time"):
        stage.play()
    stage.find_phase()
    assert stage.live_points(0) == stage.live_points(1) == stage.live_points(2) == stage.live_points(3) == []
