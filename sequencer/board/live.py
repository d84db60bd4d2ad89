"""Live control over the link: the motion limiter's points, knot by knot, each with its way to rest behind it.

The board takes a point only when the whole way that comes with it keeps the track's limits and ends at rest
(FORMAT.md, "Live control"); without word from here it plays that way on. So what a track does is known on
both ends whatever the line or this computer do: points that could not be sent in time are those of the last
way that the board took, and the limiter goes on from there.

*Late* and *lost* are two things. A message that comes after its knot is this computer's (or the line's)
being late: it is counted, and the motion goes on from what was played instead. A board that does not answer
at all, or was reset, is a lost link: that raises.

*What the board cannot see.* It checks each track by itself. That a pair's two tracks stay inside what its
linkage reaches is proven here (:class:`~sequencer.motion.live_pair.LivePair`); their points go in two
messages, and ``torn`` counts how often one of them came in time and the other did not.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.board.link import Link
from sequencer.board.messages import catalogue
from sequencer.board.reports import DONE, IDLE, LATE, LIVE
from sequencer.errors import Fault, LinkError
from sequencer.motion.live import REST_POINTS, LiveTrack
from sequencer.motion.live_pair import LivePair

#: Frames before its knot at which a point is sent: there and back takes a fraction of one.
LEAD_FRAMES = 1.5
#: A sign of life at least so often; after six frames without one the board goes to rest.
SIGN_FRAMES = 3.0
#: How long the board's clock is trusted: ours and a resonator's differ by up to 1 %, so by 0.25 frames.
LOOK_FRAMES = 25.0
FRAME_S = 0.02


class LiveOverError(LinkError):
    """The board is not under live control any more."""


@dataclass
class Told:
    """How it went, in messages; ``too_long``: ways that no message holds; ``torn``: pairs (see above)."""

    taken: int = 0
    late: int = 0
    too_long: int = 0
    torn: int = 0
    refused: int = 0

    @property
    def words(self) -> str:
        """In plain words; a lost link is never among them, it raises."""
        late = (
            f"{self.late} came too late (this computer or the line was slow; the link itself was never lost)"
        )
        return f"{self.taken} points taken, {late}, {self.refused} refused by the board"


class Limb:
    """What moves together: one track, or the two of a pair, with their numbers on the board."""

    def __init__(self, numbers: Sequence[int], live: LiveTrack | LivePair) -> None:
        self.numbers = tuple(numbers)
        self.live = live
        #: Number of the next point, counted in the track's knots since live control began.
        self.next = 0
        if len(self.numbers) != len(self.tracks):
            raise ValueError(f"{len(self.tracks)} tracks need as many numbers")

    @property
    def tracks(self) -> tuple[LiveTrack, ...]:
        """The limiters of the single tracks."""
        return self.live.tracks if isinstance(self.live, LivePair) else (self.live,)

    @property
    def knot_frames(self) -> int:
        """Servo frames between two points."""
        return self.tracks[0].spec.knot_frames

    def tick(self, targets: Sequence[float] | None) -> None:
        """One point further: toward the targets, or (None) along the way that the board has."""
        if isinstance(self.live, LivePair):
            self.live.tick(targets)
        else:
            self.live.tick(None if targets is None else targets[0])
        self.next += 1

    def ways(self) -> list[tuple[int, ...]]:
        """For each track the point last taken and what brings it to rest from there; at least three."""
        found = []
        for track in self.tracks:
            way = (track.last, *track.tail())
            found.append(way + way[-1:] * (REST_POINTS - len(way)))
        return found

    def kept(self) -> tuple[LiveTrack, ...]:
        """The tracks as they are now, for :meth:`back`."""
        return tuple(copy.copy(track) for track in self.tracks)

    def back(self, kept: Sequence[LiveTrack], which: Sequence[int]) -> None:
        """Take the last point of some of the tracks back, and play their old way instead."""
        tracks = list(self.tracks)
        for at in which:
            tracks[at] = kept[at]
            tracks[at].tick(None)
        if isinstance(self.live, LivePair):
            self.live.take_over(tracks[0], tracks[1])
        else:
            self.live = tracks[0]


class LiveControl:
    """Moves some tracks of a figure until :meth:`end`; all others rest.

    Args:
        link: the running link; nobody else may use it meanwhile.
        limbs: what is to be moved, from its rest.

    """

    def __init__(self, link: Link, limbs: Sequence[Limb]) -> None:
        self._link = link
        self._limbs = tuple(limbs)
        self._most = catalogue().by_name["live"].most
        self._looked_s = self._frame = 0.0
        self._sign_s = 0.0
        self._state = ""
        self.told = Told()

    def begin(self, timeout_s: float = 60.0) -> None:
        """Bring the figure to rest, by proven means, and take it over.

        Raises:
            LinkError: the board refuses, or something else plays on.

        """
        end = self._link.now_s() + timeout_s
        self._link.cue(LIVE)
        begun = False
        while self._link.live(0, 0, ()) != DONE or not self._look():
            if self._link.now_s() >= end:
                raise LinkError(f"the figure did not come to rest within {timeout_s:.0f} s")
            status = self._link.status()
            begun = begun or status.scene == LIVE
            if begun and status.state == IDLE:
                self._link.cue(LIVE)  # it was taken over and, on a bad line, not heard from in time
                begun = False
            self._listen(FRAME_S)
        for limb in self._limbs:
            limb.next = self._due(limb)

    def step(self, targets: Sequence[Sequence[float] | None]) -> None:
        """Send what is due now toward the newest targets, one list a limb, in LSB; None: come to rest there.

        To be called at least every servo frame; it returns at once when nothing is due.

        Raises:
            LinkError: the link is lost, or live control is over (a hold, another cue, too long a silence).

        """
        if self._link.now_s() - self._looked_s > LOOK_FRAMES * FRAME_S:
            self._go_on()
        for limb, wanted in zip(self._limbs, targets, strict=True):
            due = self._due(limb)
            while limb.next < due:
                limb.tick(None)  # what the board plays by itself: the way that it has
            if wanted is not None and limb.next == due:
                self._send(limb, wanted)
        if self._link.now_s() - self._sign_s > SIGN_FRAMES * FRAME_S:
            self._result(self._link.live(self._limbs[0].numbers[0], 0, ()))

    def end(self, timeout_s: float = 60.0) -> None:
        """Fall silent; returns once the board has come to a stop, and to rest from there.

        Raises:
            LinkError: the link is lost, or it takes too long.

        """
        end = self._link.now_s() + timeout_s
        while self._link.status().scene == LIVE:
            if self._link.now_s() >= end:
                raise LinkError(f"live control is not over after {timeout_s:.0f} s")
            self._listen(0.05)
        self._link.wait_ready(timeout_s, listen=self._listen)

    def _listen(self, wait_s: float) -> None:
        """Let time pass; what the board reports meanwhile is nobody's here."""
        self._link.reports(wait_s)

    def _due(self, limb: Limb) -> int:
        """The first point that can still come in time; point i is played at frame i * knot_frames."""
        frame = self._frame + (self._link.now_s() - self._looked_s) / FRAME_S
        return math.floor((frame + LEAD_FRAMES) / limb.knot_frames) + 1

    def _look(self) -> bool:
        """See which frame the board is in; whether it is under live control at all."""
        before = self._link.now_s()
        status = self._link.status()
        self._looked_s = self._link.now_s()
        # It said so some time between; the frame it is in may be nearly over.
        self._frame = status.frame + min((self._looked_s - before) / FRAME_S, 1.0)
        self._state = status.state_words
        return status.scene == LIVE

    def _go_on(self) -> None:
        if not self._look():
            self._link.check_boot()
            raise LiveOverError(
                Fault(
                    f"live control is over: the board is in {self._state}",
                    remedy="a hold, a stop input, another cue, or too long a silence from here ended it",
                )
            )

    def _send(self, limb: Limb, wanted: Sequence[float] | None) -> None:
        kept, at = limb.kept(), limb.next
        limb.tick(wanted)
        ways = limb.ways()
        everything = range(len(ways))
        if max(map(len, ways)) > self._most:
            self.told.too_long += 1
            limb.back(kept, everything)
            return
        results = [
            self._result(self._link.live(*message))
            for message in zip(limb.numbers, [at] * len(ways), ways, strict=True)
        ]
        missed = [which for which in everything if not results[which]]
        if missed:
            limb.back(kept, missed)
            self.told.torn += 0 < len(missed) < len(ways)
            self._go_on()

    def _result(self, result: int) -> bool:
        """Whether the board took it."""
        self._sign_s = self._link.now_s()
        if result == DONE:
            self.told.taken += 1
        elif result == LATE:
            self.told.late += 1
        else:
            self.told.refused += 1
        return result == DONE
