"""The board's clock: how far it is off, and keeping the show in step with the host's clock.

A ceramic resonator is wrong by up to half a per cent: three seconds in ten minutes. The player counts
frames of 20 ms by it. Here the host asks what time it is on the board, takes the answer that came back
quickest, and has the frames lengthened or shortened (``host_time``): a trim that takes the resonator's
error out and stays when the host goes, and a slew that makes up for what was lost meanwhile. The player
gives at most 0.3 % to the slew and 0.7 % to the trim; the show's time never steps.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from sequencer.board.link import Link
from sequencer.board.messages import Message
from sequencer.errors import Fault, LinkError
from sequencer.tables.extra_clock import MOST_SLEW, MOST_TRIM, PARTS

FRAME_S = 0.02
#: Questions asked for one reading; the answer that came back quickest counts.
ASKED = 5
#: An answer this quick is taken at once, seconds.
QUICK_S = 0.002
#: Seconds over which the resonator's error is taken: longer follows temperature too slowly, shorter is noise.
BASELINE_S = 120.0
#: A rate that is known no better than this, half of what a resonator may be off, is not trimmed by.
SURE = 0.0025
#: An answer to a hasty question that took longer says too little, seconds.
SLOW_S = 0.01
#: Rate errors beyond this are not a resonator's: the board was reset or its answers are wrong.
WORST_RATE = 0.03
_WRAP = 1 << 16


@dataclass(frozen=True)
class Reading:
    """The board's clock at a host time (seconds): frames since its boot, with their fraction; modulo 65536.

    ``doubt_s``: it was asked and answered within twice this.
    """

    host_s: float
    frames: float
    doubt_s: float


class ClockJumpError(LinkError):
    """The board's clock is not where a resonator could have brought it."""


def read_clock(link: Link, trim: int, slew: int = 0) -> Reading:
    """Ask until an answer comes quickly; the quickest. Each question sets trim and slew anew.

    Raises:
        LinkError: the board does not answer.
    """
    best: Reading | None = None
    for _ in range(ASKED):
        sent_s = link.now_s()
        reading = _reading(link, sent_s, trim, set_clock(link, trim, slew))
        if best is None or reading.doubt_s < best.doubt_s:
            best = reading
        if reading.doubt_s <= QUICK_S / 2:
            break
    assert best is not None
    return best


def glance_at_clock(link: Link, trim: int) -> Reading | None:
    """As :func:`read_clock`, but one question with no time to spare; None without a quick answer.

    Raises:
        LinkError: the board was reset, or does not know the question.
    """
    sent_s = link.now_s()
    answer = link.glance("host_time", **_fields(trim, 0))
    if answer is None or link.now_s() - sent_s > SLOW_S:
        return None
    return _reading(link, sent_s, trim, answer)


def set_clock(link: Link, trim: int, slew: int = 0) -> Message:
    """Give the board a trim and a slew (320 000ths of a frame); its answer says where its clock is.

    Raises:
        LinkError: the board does not answer, was reset, or does not know the question.
    """
    return link.request("host_time", **_fields(trim, slew))


def _fields(trim: int, slew: int) -> dict[str, int]:
    return {"trim": trim % _WRAP, "slew": slew % _WRAP}


def _reading(link: Link, sent_s: float, trim: int, answer: Message) -> Reading:
    heard_s = link.now_s()
    into = answer.number("into")
    into -= _WRAP if into > 60_000 else 0  # before the slot's start
    parts = answer.number("slot") * (PARTS + trim) / 6 + into
    frames = answer.number("frame") + parts / (PARTS + trim)
    return Reading((sent_s + heard_s) / 2, frames, (heard_s - sent_s) / 2)


class BoardClock:
    """Keeps a board's frames in step with the host's clock. Call :meth:`keep` every second or few.

    Args:
        link: to a board that was met.
        trim: what the board's frames are trimmed by already (its image's calibration), in 320 000ths.
    """

    def __init__(self, link: Link, trim: int = 0) -> None:
        self._link = link
        self._trim = trim
        self._slew = 0
        self._begin: Reading | None = None
        self._last: Reading | None = None
        # Host seconds, parts by the board's own clock, the reading's doubt in seconds.
        self._past: deque[tuple[float, float, float]] = deque()
        self._parts = 0.0

    @property
    def trim(self) -> int:
        """320 000ths by which every frame is longer now."""
        return self._trim

    @property
    def fast_ppm(self) -> float | None:
        """By how much the board's own clock is fast, in millionths; None before the second reading."""
        if len(self._past) < 2:
            return None
        (first_s, first, _), (last_s, last, _) = self._past[0], self._past[-1]
        return ((last - first) * FRAME_S / PARTS / (last_s - first_s) - 1.0) * 1e6

    def error_s(self, reading: Reading) -> float:
        """By how much the show is ahead of the host, since the first reading."""
        assert self._begin is not None
        due = (reading.host_s - self._begin.host_s) / FRAME_S
        ahead = reading.frames - self._begin.frames - due
        return ((ahead + _WRAP / 2) % _WRAP - _WRAP / 2) * FRAME_S

    def keep(self) -> float:
        """Read the clock and correct it; by how much the show was ahead, in seconds.

        Raises:
            LinkError: the board does not answer, or its clock cannot be a resonator's (it was reset).
        """
        error = self._correct(read_clock(self._link, self._trim))  # a slew that is not used up ends here
        set_clock(self._link, self._trim, self._slew)
        return error

    def glance(self) -> float | None:
        """As :meth:`keep`, for one with no time to spare; None when the answer was not a quick one.

        Raises:
            LinkError: as :meth:`keep`, but for a board that is silent.
        """
        now = glance_at_clock(self._link, self._trim)
        if now is None:
            return None
        error = self._correct(now)
        if self._link.glance("host_time", **_fields(self._trim, self._slew)) is None:
            # By which trim the board goes until it is asked again is not known, so neither is how long its
            # frames were: begin anew, and take the show to be in step now.
            self._begin = self._last = None
            self._past.clear()
        return error

    def _correct(self, now: Reading) -> float:
        """Choose trim and slew by a reading; by how much the show was ahead."""
        if self._begin is None or self._last is None:
            self._begin = self._last = now
            self._past.append((now.host_s, self._parts, now.doubt_s))
            self._slew = 0
            return 0.0
        passed = (now.frames - self._last.frames) % _WRAP
        slewed = max(-MOST_SLEW * passed, min(MOST_SLEW * passed, self._slew))
        parts = passed * (PARTS + self._trim) + slewed
        rate = parts * FRAME_S / PARTS / (now.host_s - self._last.host_s)
        doubt = (now.doubt_s + self._last.doubt_s + FRAME_S) / (now.host_s - self._last.host_s)
        if abs(rate - 1.0) > WORST_RATE + doubt:
            raise ClockJumpError(
                Fault(
                    "the board's clock jumped: it was reset, or its answers are wrong",
                    quantity="clock rate",
                    value=f"{rate:.3f}",
                    limit=f"1 +- {WORST_RATE:g}",
                    remedy="start the scene again",
                )
            )
        self._parts += parts
        self._past.append((now.host_s, self._parts, now.doubt_s))
        while len(self._past) > 2 and now.host_s - self._past[1][0] >= BASELINE_S:
            self._past.popleft()
        self._last = now
        error = self.error_s(now)
        fast = self.fast_ppm
        assert fast is not None
        if self._past[0][2] + now.doubt_s <= SURE * (now.host_s - self._past[0][0]):
            self._trim = max(-MOST_TRIM, min(MOST_TRIM, round(fast * PARTS / 1e6)))
        # Ahead: longer frames. What a slew does beyond the next reading is cut off there.
        self._slew = max(-0x7FFF, min(0x7FFF, round(error / FRAME_S * PARTS)))
        return error


@dataclass(frozen=True)
class Rate:
    """By how many millionths a board's own clock is fast, and how far off that may be."""

    fast_ppm: float
    doubt_ppm: float


def measure_clock(link: Link, seconds: float, tell: Callable[[float], None] | None = None) -> Rate:
    """Measure the board's own clock against the host's over ``seconds``; whatever it does goes on.

    The doubt is what both readings' answers were under way, as a share of the time between them; what the
    host's own clock is off comes on top (usually below 50 millionths). The board ends trimmed by the result.

    Args:
        link: to a board that was met.
        seconds: how long, less than the 1310 s after which the board's count comes round.
        tell: called now and then with the share that is done, 0..1.

    Raises:
        LinkError: the board does not answer, or its clock cannot be a resonator's.

    """
    first = last = read_clock(link, 0)
    while last.host_s - first.host_s < seconds:
        link.reports(min(1.0, max(0.05, seconds - (last.host_s - first.host_s))))
        last = read_clock(link, 0)
        if tell is not None:
            tell(min(1.0, (last.host_s - first.host_s) / seconds))
    passed = last.host_s - first.host_s
    fast = ((last.frames - first.frames) % _WRAP) * FRAME_S / passed - 1.0
    rate = Rate(fast * 1e6, (first.doubt_s + last.doubt_s) / passed * 1e6)
    if abs(fast) > MOST_TRIM / PARTS + rate.doubt_ppm / 1e6:
        raise LinkError(
            Fault(
                "this cannot be the clock of a sound board",
                quantity="clock_ppm",
                value=f"{rate.fast_ppm:.0f} +- {rate.doubt_ppm:.0f}",
                limit=f"{1e6 * MOST_TRIM / PARTS:g} either way: a resonator's tolerance and drift",
                remedy="nothing was written. Was the board reset meanwhile, or is the computer too busy? "
                "Measure again; if it stays, use another board",
            )
        )
    set_clock(link, round(fast * PARTS))
    return rate
