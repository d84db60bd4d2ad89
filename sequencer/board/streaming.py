"""A planned scene over live control: its points come from this computer instead of the board's memory.

For scenes that the board has no room for. What is sent are the certified plan's own points, unchanged, each
message as many as it holds with a way to a stop behind the last of them (:meth:`.LiveTrack.tail`, proven for
every point before anything moves). So the board always has some of the plan in hand, and a legal stop after
that; as long as the next points come before those run out, it plays exactly the plan.

*Underrun.* Points that come after the board has begun to play the stop are of no use: the plan does not fit
on it. Then nothing more is sent: every track plays out what it has, stops, and the board goes to rest by the
stored profile. That is reported, with what each track has played; it is never silently gone on with.

*Pairs.* Their two tracks' points go in two messages, so for a moment one track has a newer way than the
other. A message is sent only when that mixture, too, keeps every face of the pair, whichever end it comes to.

Motion only: lamps, switches, sounds and loops are not streamed.
"""

from __future__ import annotations

import contextlib
import functools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from sequencer.board.link import Link
from sequencer.board.live import FRAME_S, LOOK_FRAMES, Limb, LiveControl, LiveOverError
from sequencer.board.reports import (
    BUSY,
    DONE,
    HOLD,
    IDLE,
    LATE,
    POWERLESS,
    RAIL_LOST,
    RESULTS,
    SCENE,
    SETTLE,
    News,
    Trip,
    events_of,
)
from sequencer.errors import Fault, InputError, LinkError
from sequencer.motion.live import REST_POINTS, LiveTrack
from sequencer.motion.live_pair import LivePair
from sequencer.motion.model import PairSpec, TrackPlan

#: Points in a message at most: the board holds eleven, with the old ones that come before (up to three).
MOST = 8
#: Frames from taking over to the scene's first span: time for the first messages of every track.
START_FRAMES = 12
#: How often the figure is taken over before the line is called bad.
TAKEOVERS = 5
#: The board's own (QJ_SILENT_FRAMES): after so long a silence a figure that stands goes to rest.
SILENT_FRAMES = 6
#: How long the board's report of what ended live control is waited for.
WHY_S = 0.2

Outcome = Literal["played", "underrun", "stopped", "without power"]
#: Told what the board reports while a scene is streamed.
Hear = Callable[[Sequence[Trip], Sequence[News]], None]


class RefusedError(LiveOverError):
    """The board takes no more points."""


@dataclass(frozen=True)
class Streamed:
    """How it went. ``points``: what each track (by its number) played, from the plan's first point on.

    Known without asking the board. ``exact`` is how many of them are the plan's: all, unless there was an
    underrun or a stop. ``short`` names the track that ran out first. Both are empty where the servos lost
    their power: what was played then is nothing.
    """

    outcome: Outcome
    points: Mapping[int, tuple[int, ...]]
    exact: Mapping[int, int]
    short: str | None = None


class Part:
    """One track of a scene, or a pair's two: the plan's points and a way to a stop after each.

    ``j`` counts the plan's points after the first three, which are rest like all before them.

    Raises:
        InputError: a point has no way to a stop within the limits, or one that no message holds.
    """

    def __init__(
        self, numbers: Sequence[int], plans: Sequence[TrackPlan], pair: PairSpec | None = None
    ) -> None:
        self.numbers = tuple(numbers)
        self.name = pair.name if pair is not None else plans[0].spec.name
        specs = [plan.spec for plan in plans]
        self.knot_frames = specs[0].knot_frames
        self.live = LiveTrack(specs[0]) if pair is None else LivePair(pair, specs)
        self._faces = () if pair is None else tuple((face.a, face.b, face.inner) for face in pair.faces)
        self._points = [tuple(int(point) for point in plan.points) for plan in plans]
        self.length = len(self._points[0]) - REST_POINTS
        self._tails: list[tuple[tuple[int, ...], ...]] = []
        for at in range(self.length + 1):
            starts = [points[at : at + REST_POINTS] for points in self._points]
            if pair is None:
                tails: tuple[tuple[int, ...], ...] = (LiveTrack(specs[0], starts[0]).tail(),)
            else:
                tails = LivePair(pair, specs, starts).tail()
            self._tails.append(tails)
        longest = max(len(tail) for tails in self._tails for tail in tails)
        if longest >= MOST:
            raise InputError(
                Fault(
                    f"{self.name} moves too fast to be streamed: a message has no room for its way to a stop",
                    quantity="points to a stop",
                    value=str(longest),
                    limit=str(MOST - 1),
                    remedy="play the scene from the board's memory, or make its moves slower",
                )
            )

    def point(self, which: int, taken: int, j: int) -> int:
        """What a track plays at ``j`` that has the plan's first ``taken`` points and a way to a stop."""
        if j < taken:
            return self._points[which][max(0, j + REST_POINTS)]
        tail = self._tails[taken][which]
        return tail[min(j - taken, len(tail) - 1)]

    def reaches(self, j: int, has: int) -> Iterator[int]:
        """To how many of the plan's points a message that begins with ``j`` can lead, the most first."""
        for reach in range(min(self.length, j + MOST - 1), max(has, j), -1):
            if reach - j + max(len(tail) for tail in self._tails[reach]) <= MOST:
                yield reach

    def way(self, which: int, j: int, taken: int) -> tuple[int, ...]:
        """The points from ``j`` to the end of the way to a stop, three at least and three equal ones last."""
        count = max(REST_POINTS, taken - j + len(self._tails[taken][which]))
        return tuple(self.point(which, taken, at) for at in range(j, j + count))

    @functools.cache  # noqa: B019 - as many as there are parts, for as long as they
    def fits(self, one: int, other: int) -> bool:
        """Whether a pair whose tracks have ``one`` and ``other`` points of the plan keeps every face."""
        end = max(one, other) + MOST
        return all(
            a * self.point(0, one, j) + b * self.point(1, other, j) <= limit
            for j in range(min(one, other), end)
            for a, b, limit in self._faces
        )


class SceneStream(LiveControl):
    """Plays one scene, once; nobody else may use the link meanwhile."""

    def __init__(self, link: Link, parts: Sequence[Part]) -> None:
        self._parts = tuple(parts)
        super().__init__(link, [Limb(part.numbers, part.live) for part in self._parts])
        self._limb_of = dict(zip(self._parts, self._limbs, strict=True))
        #: Of each track, how many of the plan's points the board has; the number of the plan's first.
        self._taken = {number: 0 for part in self._parts for number in part.numbers}
        self._first: dict[Part, int] = {}
        self._start = 0
        self._hear: Hear = lambda _trips, _news: None
        self._powerless = False

    def play(
        self,
        tell: Callable[[float], None] = lambda _now_s: None,
        wants_stop: Callable[[], bool] = lambda: False,
        hear: Hear = lambda _trips, _news: None,
    ) -> Streamed:
        """Take the figure over, play, and return once it is at rest again (after a stop: in hold).

        Args:
            tell: told the seconds of the scene that have passed, now and then; may ask the board something
                that takes no longer than a few milliseconds.
            wants_stop: whether to hold now.
            hear: told what the board reports, as it comes.

        Raises:
            LinkError: the link is lost, the board refuses, or something else took the figure over.

        """
        self._hear = hear
        try:
            return self._play(tell, wants_stop)
        except LiveOverError as over:
            # A stop input, the stall guard, a lost supply: an ending of its own, as of any scene. The board
            # refuses points before its report is on the line, and while it still comes to its stop.
            if not self._powerless:
                with contextlib.suppress(LiveOverError):
                    self._listen(WHY_S)
            if self._powerless:
                return Streamed(POWERLESS, {}, {})
            if self._link.status().state not in (SCENE, HOLD, SETTLE, IDLE):
                raise
            # Else this computer was silent for too long, whatever it was at just then.
            told = self._over("underrun", min(self._parts, key=self._left).name)
            if told.outcome == "underrun" and isinstance(over, RefusedError):
                raise
            return told

    @property
    def now_s(self) -> float:
        """Where in the scene it is, in seconds; 0 before its start."""
        return max(0.0, self._now()) * FRAME_S

    def _play(self, tell: Callable[[float], None], wants_stop: Callable[[], bool]) -> Streamed:
        if not self._parts:
            return Streamed("played", {}, {})
        for _ in range(TAKEOVERS):
            self.begin()
            if self._claim():
                break
        else:
            raise LinkError("the line is too bad to stream over: the board hears nothing for too long")
        frames = max(part.length * part.knot_frames for part in self._parts)
        while not all(self._taken[number] == part.length for part in self._parts for number in part.numbers):
            if wants_stop():
                self._link.hold()
                return self._over("stopped")
            short = self._feed()
            if short is not None:
                return self._over("underrun", short.name)
            tell(min(max(self._now(), 0.0), frames) * FRAME_S)
            self._listen(0.004)
        # The board has all of it. A silent computer is no loss from here.
        end = self._link.now_s() + (frames - self._now()) * FRAME_S
        while self._link.now_s() < end:
            tell(max(self._now(), 0.0) * FRAME_S)
            if wants_stop():
                self._link.hold()
                break
            self._listen(0.05)
        return self._over("played")

    def _claim(self) -> bool:
        """Ask for every track before one moves: a board follows only so many at a time.

        False when live control was over meanwhile, for want of a word from here.
        """
        for part in self._parts:
            for which, number in enumerate(part.numbers):
                result = LATE
                while result == LATE:
                    due = self._due(self._limb_of[part])
                    result = self._link.live(number, due, part.way(which, -REST_POINTS, 0)[:REST_POINTS])
                    self._result(result)
                if result == BUSY:
                    raise LinkError(
                        Fault(
                            "the scene moves more tracks than this board takes from a computer at a time",
                            quantity="tracks that move",
                            value=str(len(self._taken)),
                            remedy="play it from the board's memory, or stream it to a larger board",
                        )
                    )
                if result != DONE and not self._look():
                    return False
                self._must(result, part)
        if not self._look():
            return False
        common = math.lcm(*(part.knot_frames for part in self._parts))
        self._start = common * math.ceil((self._frame + START_FRAMES) / common)
        self._first = {part: self._start // part.knot_frames for part in self._parts}
        return True

    def _listen(self, wait_s: float) -> None:
        """Let time pass, and hand on what the board reports; a lost servo supply ends everything."""
        trips, news = events_of(self._link.reports(wait_s))
        if trips or news:
            self._hear(trips, news)
        if any(told.what == RAIL_LOST for told in news):
            self._powerless = True
            raise LiveOverError(Fault(news[0].words, remedy="look at the servos' supply and its fuse"))

    def _now(self) -> float:
        """The scene's frame; negative before its start."""
        return self._frame + (self._link.now_s() - self._looked_s) / FRAME_S - self._start

    def _feed(self) -> Part | None:
        """Send what can be sent; the part that ran out, if one did."""
        silent = self._link.now_s() - self._sign_s > SILENT_FRAMES * FRAME_S
        if silent or self._link.now_s() - self._looked_s > LOOK_FRAMES * FRAME_S:
            self._go_on()
        for part in sorted(self._parts, key=self._left):
            j = self._due(self._limb_of[part]) - self._first[part]
            if j > self._has(part):
                if self._has(part) < part.length:
                    return part
            elif not self._send_next(part, j):
                self._go_on()  # late: see where the board is
        if self._link.now_s() - self._sign_s > FRAME_S:
            self._result(self._link.live(0, 0, ()))
        return None

    def _has(self, part: Part) -> int:
        return min(self._taken[number] for number in part.numbers)

    def _left(self, part: Part) -> float:
        """Frames until the part has played all that the board has of the plan."""
        return self._has(part) * part.knot_frames

    def _send_next(self, part: Part, j: int) -> bool:
        """Bring a part as far as one message goes; False when it came too late."""
        for reach in part.reaches(j, self._has(part)):
            order = self._order(part, reach)
            if order is None:
                continue
            for which in order:
                number = part.numbers[which]
                result = self._link.live(number, self._first[part] + j, part.way(which, j, reach))
                self._result(result)
                if result == LATE:
                    return False
                self._must(result, part)
                self._taken[number] = reach
            return True
        return True

    def _order(self, part: Part, reach: int) -> tuple[int, ...] | None:
        """Which of a pair's tracks may have the newer points first; None: neither."""
        if len(part.numbers) == 1:
            return (0,)
        one, other = (self._taken[number] for number in part.numbers)
        if part.fits(reach, other):
            return (0, 1)
        return (1, 0) if part.fits(one, reach) else None

    def _must(self, result: int, part: Part) -> None:
        if result != DONE:
            self._go_on()
            raise RefusedError(
                Fault(
                    f"the board takes no more points of {part.name}",
                    value=RESULTS[result],
                    remedy="a hold or a stop input ended it, or the board's show has another figure.toml",
                )
            )

    def _over(self, outcome: Outcome, short: str | None = None) -> Streamed:
        """Fall silent: the board plays what it has, stops and goes to rest, or stays in a hold."""
        try:
            self.end()
        except LiveOverError:  # the servos' supply; a scene that had ended before has lost nothing
            if outcome != "played":
                return Streamed(POWERLESS, {}, {})
        self._link.check_boot()
        if self._link.status().state == HOLD:
            outcome = "stopped"
        points, exact = {}, {}
        for part in self._parts:
            for which, number in enumerate(part.numbers):
                taken = self._taken[number]
                first = part.way(which, -REST_POINTS, 0)[:REST_POINTS]
                points[number] = first + part.way(which, 0, taken)
                exact[number] = REST_POINTS + taken
        return Streamed(outcome, points, exact, short)


def scene_parts(
    plans: Mapping[str, TrackPlan], tracks: Sequence[str], pairs: Mapping[str, PairSpec]
) -> tuple[Part, ...]:
    """The tracks that a scene moves, pairs together. ``tracks`` in the order of the board's numbers.

    Raises:
        InputError: it is a loop, or cannot be streamed.
    """
    loops = sorted({plan.scene for plan in plans.values() if plan.loop})
    if loops:
        raise InputError(Fault(f"scene `{loops[0]}` is a loop: only a scene that ends can be streamed"))
    number = {name: at for at, name in enumerate(tracks)}
    moved = {name for name, plan in plans.items() if (plan.points != plan.spec.rest).any()}
    found: list[Part] = []
    alone = set(moved)
    for pair in pairs.values():
        if moved & set(pair.tracks):
            found.append(Part([number[n] for n in pair.tracks], [plans[n] for n in pair.tracks], pair))
        alone -= set(pair.tracks)
    found += [Part([number[name]], [plans[name]]) for name in tracks if name in alone]
    return tuple(found)
