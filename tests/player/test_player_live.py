"""Live control: whatever is sent and whenever it stops, what is played stays within each track's bounds."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.board.link import Link
from sequencer.board.live import Limb, LiveControl
from sequencer.board.reports import DONE, LATE, LIVE, STATES
from sequencer.errors import InputError, LinkError
from sequencer.motion.live import LiveTrack
from sequencer.motion.live_pair import LivePair
from sequencer.motion.model import PairFace, PairSpec, TrackSpec
from sequencer.player.machine import Machine
from sequencer.player.player import Fault, Player
from sequencer.player.rows import ROW
from tests.motion.live_track import BASE
from tests.player import oracle
from tests.player.bad_line import FRAME_S, BadLine, Faults
from tests.player.oracle import Input, Scene, Show, Track

JAW = replace(BASE, name="jaw", knot_frames=2, low=-900, high=700, bounds=(260, 170, 230), rest=40)
SPECS = (BASE, JAW)
Host = Callable[[], Machine]


def track(spec: TrackSpec) -> Track:
    return Track(
        spec.knot_frames, rest=spec.rest, parked=spec.rest, low=spec.low, high=spec.high, bounds=spec.bounds
    )


class Watched:
    """A board on a line, and every control point that it played."""

    def __init__(
        self,
        host: Host,
        specs: Sequence[TrackSpec],
        odds: float = 0.0,
        seed: int = 1,
        inputs: Sequence[Input] = (),
        extras: Mapping[int, bytes] | None = None,
    ) -> None:
        self.specs = specs
        sway = [[spec.rest + size for size in (0, 9, 15, 9, 0, -9, -15, -9, 0, 5)] for spec in specs]
        frames = [60 // spec.knot_frames for spec in specs]
        idle = Scene(
            frames=60,
            loop=True,
            points=[(points * 3)[:count] for points, count in zip(sway, frames, strict=True)],
            fade_in=60,
        )
        still = Scene(frames=60, loop=False, points=[None] * len(specs))
        image = oracle.write(
            Show(
                tracks=[track(spec) for spec in specs],
                scenes=[idle, still],
                idle=0,
                settle=300,
                stop=60,
                stagger=0,
                inputs=list(inputs),
                extras=dict(extras or {}),
            )
        )
        self.player = Player(machine=host)
        assert self.player.boot(image, 1) == Fault.OK
        self.machine = self.player._machine
        self.line = BadLine(self.machine, image, Faults(odds, seed), Faults(odds, seed + 1))
        self.line.on_frame = self._note
        self.states: list[str] = []
        self.windows: list[np.ndarray] = []
        self.points: list[list[int]] = [[] for _ in specs]

    def _note(self) -> None:
        row = np.frombuffer(self.machine.read(self.machine.call("x_rows"), ROW.itemsize), dtype=ROW)[0]
        self.states.append("live" if row["scene"] == LIVE else STATES[row["state"]])
        self.windows.append(row["window"][: len(self.specs)].copy())
        for at, spec in enumerate(self.specs):
            if row["phase"] % spec.knot_frames == 0:
                self.points[at].append(int(row["window"][at][3]))

    def check(self) -> None:
        """The certificate's inequalities on everything that was played since the first frame of idling."""
        for spec, points in zip(self.specs, self.points, strict=True):
            played = np.array(points)
            assert played.min() >= spec.low
            assert played.max() <= spec.high
            for order, bound in enumerate(spec.bounds, start=1):
                assert np.abs(np.diff(played, order)).max(initial=0) <= bound, (spec.name, order)


def wander(chance: random.Random, spec: TrackSpec) -> float:
    return chance.uniform(spec.low - 50, spec.high + 50)


def drive(control: LiveControl, line: BadLine, specs: Sequence[TrackSpec], seconds: float, seed: int) -> None:
    chance = random.Random(seed)
    targets = [[wander(chance, spec)] for spec in specs]
    end = line.now_s() + seconds
    while line.now_s() < end:
        if chance.random() < 0.03:
            targets = [[wander(chance, spec)] for spec in specs]
        control.step(targets)
        line.wait(0.008)


def taken_over(watched: Watched) -> tuple[Link, LiveControl]:
    link = Link(watched.line)
    link._seq = link._cue = 0
    link.hello(quiet_s=0.2)
    link.wait_ready()
    control = LiveControl(link, [Limb([at], LiveTrack(spec)) for at, spec in enumerate(watched.specs)])
    control.begin()
    return link, control


def test_a_figure_follows_the_hand_and_goes_back_to_idle(host: Host) -> None:
    watched = Watched(host, SPECS)
    link, control = taken_over(watched)
    drive(control, watched.line, SPECS, 60.0, 7)
    assert (control.told.refused, control.told.late, control.told.too_long) == (0, 0, 0)
    assert control.told.taken > 60 / FRAME_S / 6
    live = [window for state, window in zip(watched.states, watched.windows, strict=True) if state == "live"]
    reached = np.ptp(np.array(live)[:, :, 3], axis=0)
    assert (reached > [0.9 * (spec.high - spec.low) for spec in SPECS]).all(), "it hardly moved"
    control.end()
    assert link.status().state_words == "idle"
    watched.check()


def test_the_board_plays_what_the_limiter_said(host: Host) -> None:
    watched = Watched(host, SPECS)
    _, control = taken_over(watched)
    for target in (300, -200, 500):
        end = watched.line.now_s() + 3.0
        while watched.line.now_s() < end:
            control.step([[10 * target], [target]])
            watched.line.wait(0.01)
        assert [points[-1] for points in watched.points] == [10 * target, target]


@pytest.mark.parametrize("seed", range(4))
def test_on_a_bad_line_it_is_late_and_never_beyond_a_bound(host: Host, seed: int) -> None:
    watched = Watched(host, SPECS, odds=0.03, seed=seed)
    late = taken = refused = 0
    for turn in range(3):
        link, control = taken_over(watched)
        over = ""
        try:
            drive(control, watched.line, SPECS, 30.0, 10 * seed + turn)
        except LinkError as error:
            over = str(error)
        assert over == "" or "live control is over" in over  # it was silent for too long
        late += control.told.late
        taken += control.told.taken
        refused += control.told.refused  # a turn that the line ends at once has nothing but such a one
        watched.line.wait(8.0)
        link.reports()
    assert late > 0
    assert taken > 200
    assert refused <= taken / 50
    watched.check()


@pytest.mark.parametrize("seed", range(12))
def test_a_host_that_dies_in_mid_stream_leaves_a_figure_that_goes_to_rest(host: Host, seed: int) -> None:
    """It slows down from its next point on, by the way that came with the last; then it goes to rest.

    So the return to rest has begun within 250 ms, moving or not.
    """
    watched = Watched(host, SPECS)
    _, control = taken_over(watched)
    drive(control, watched.line, SPECS, 3.0 + 0.137 * seed, seed)
    died = len(watched.states)
    before = [len(points) for points in watched.points]
    watched.line.wait(12.0)
    watched.check()
    assert watched.states[-1] == "idle"
    settles = watched.states.index("settle", died)
    last_change = died
    for spec, limb, points, count in zip(SPECS, control._limbs, watched.points, before, strict=True):
        (way,) = limb.ways()
        until = count + -(-(settles - died) // spec.knot_frames)
        played = points[count - 2 : until]
        way = tuple(way) + way[-1:] * len(played)
        begins = [at for at in range(5) if played[at:] == list(way[: len(played) - at])]
        assert begins, (played, way)
        changes = np.flatnonzero(np.diff(points[count - 1 : until]))
        if len(changes):
            last_change = max(last_change, died + (int(changes[-1]) + 1) * spec.knot_frames)
    # a track stands when its four points are equal; then it is decided at the next common knot
    assert settles - last_change <= max(0.25 / FRAME_S, 3 * 6 + 6)


def test_a_figure_that_stands_away_from_rest_goes_there_within_250_ms_of_the_last_word(host: Host) -> None:
    """Whenever in a knot that was, though the points that it was sent last are not played yet."""
    late = []
    for step in range(14):
        watched = Watched(host, SPECS)
        _, control = taken_over(watched)
        end = watched.line.now_s() + 4.0 + 0.009 * step
        while watched.line.now_s() < end:
            control.step([[3000.0], [500.0]])
            watched.line.wait(0.003)
        assert [points[-1] for points in watched.points] == [3000, 500]
        frames = len(watched.states)
        quiet_s = watched.line.now_s() - control._sign_s
        watched.line.wait(2.0)
        late.append(quiet_s + (watched.states.index("settle", frames) - frames) * FRAME_S)
        watched.check()
    assert max(late) <= 0.25, late


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), reach=st.sampled_from([0.3, 1.0, 1.3]))
def test_whatever_is_sent_what_is_played_keeps_the_bounds(host: Host, seed: int, reach: float) -> None:
    accepted = send_anything(host, seed, reach)
    assert accepted["checked"]


def send_anything(host: Host, seed: int, reach: float) -> dict[str, int]:
    """Ways by chance, numbered by chance, straight to the board; how many were taken and not."""
    chance = random.Random(seed)
    watched = Watched(host, SPECS)
    link, _ = taken_over(watched)
    results: dict[str, int] = {"checked": 0}
    for _ in range(120):
        at = chance.randrange(2)
        spec = SPECS[at]
        window = [int(point) for point in watched.windows[-1][at]]
        way = way_by_chance(chance, spec, window, reach)
        number = link.status().frame // spec.knot_frames + 1 + chance.choice((-1, 0, 0, 0, 1, 2))
        result = str(link.live(at, number, way))
        results[result] = results.get(result, 0) + 1
        watched.line.wait(chance.choice((0.0, 0.01, 0.02, 0.05)))
    watched.line.wait(10.0)
    watched.check()
    results["checked"] = 1
    return results


def way_by_chance(chance: random.Random, spec: TrackSpec, window: list[int], reach: float) -> list[int]:
    """Some points by third differences of chance, mostly ended by three equal ones."""
    kind = chance.random()
    if kind < 0.5:  # a limiter's way, perhaps with one number changed
        try:
            live = LiveTrack(spec, window[1:])
        except InputError:
            return [window[3]] * 3
        live.tick(wander(chance, spec))
        way = [live.last, *live.tail()]
        way += way[-1:] * (3 - len(way))
        if kind < 0.15:
            way[chance.randrange(len(way))] += chance.choice((-1, 1)) * chance.randrange(1, 600)
        return way[:12]
    c3, c2, c1 = window[1:]
    points = []
    for _ in range(chance.randrange(0, 9)):
        jerk = round(reach * spec.bounds[2] * chance.uniform(-1, 1))
        c3, c2, c1 = c2, c1, max(-32768, min(32767, 3 * c1 - 3 * c2 + c3 + jerk))
        points.append(c1)
    return points + [c1] * chance.choice((0, 2, 3, 3))


def test_that_anything_is_taken_and_anything_is_refused(host: Host) -> None:
    results = send_anything(host, 5, 1.0)
    assert results[str(DONE)] > 15
    assert results["2"] > 15, "breaking a bound"
    assert results["4"] > 3, "not ending at rest"
    assert results[str(LATE)] > 3


def test_the_newest_wins(host: Host) -> None:
    watched = Watched(host, SPECS[:1])
    link, _ = taken_over(watched)
    number = link.status().frame // 6 + 2
    for size in (30, -60, 90):
        assert link.live(0, number, [size // 3, size * 2 // 3, size, size, size]) == DONE
    watched.line.wait(1.5)
    assert watched.points[0][-1] == 90 or 90 in watched.points[0]
    assert -60 not in watched.points[0]
    assert 30 in watched.points[0]  # a third of 90
    watched.check()


def test_a_pair_stays_inside_its_polygon_and_a_hold_waits_for_its_stop(host: Host) -> None:
    one = replace(BASE, name="left", group="neck", low=-3000, high=3000)
    other = replace(one, name="right")
    faces = tuple(PairFace(a, b, 4000) for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1)))
    watched = Watched(host, (one, other))
    link = Link(watched.line)
    link.hello(quiet_s=0.2)
    link.wait_ready()
    limb = Limb([0, 1], LivePair(PairSpec("neck", ("left", "right"), faces), (one, other)))
    control = LiveControl(link, [limb])
    control.begin()
    chance = random.Random(3)
    for _ in range(60):
        targets = [[wander(chance, one), wander(chance, other)]]
        end = watched.line.now_s() + 0.5
        while watched.line.now_s() < end:
            control.step(targets)
            watched.line.wait(0.01)
    assert control.told.taken > 300
    assert (control.told.torn, control.told.refused) == (0, 0)
    pairs = np.array(watched.points)
    assert np.ptp(pairs, axis=1).min() > 3000
    for face in faces:
        assert (face.a * pairs[0] + face.b * pairs[1]).max() <= face.inner
    link.hold()
    with pytest.raises(LinkError, match="live control is over"):
        drive_pair(control, watched.line)
    watched.line.wait(3.0)
    assert watched.states[-1] == "hold"
    watched.check()


def drive_pair(control: LiveControl, line: BadLine) -> None:
    for _ in range(300):
        control.step([[500.0, 500.0]])
        line.wait(0.01)
