"""One servo's centre and ends, found on the board by keys: jogging, seeking an end slowly, undoing."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from sequencer.board.bench import HIGH_US, LOW_US, STEPS, Jog, Range
from sequencer.board.link import Link
from sequencer.figure.model import Sensor, Servo

#: Steps by keys, microseconds: about 0.2 and 2 degrees of a hobby servo.
SMALL_US, BIG_US = 2, 20
#: An end is sought by such steps, one every :data:`SEEK_S`: 40 us/s, about 4 degrees a second.
SEEK_US, SEEK_S = 2, 0.05
#: An end is recorded so far before the stop was touched, about 2 degrees: nothing rests against it.
BACK_OFF_US = 20
#: A servo counts as blocked when it draws so much more than while it stood still, A.
BLOCKED_A = 0.25
#: Readings taken before it moves, whose middle is what it draws standing still.
STANDING = 5

#: The keys, on lines that fit 80 columns.
HELP = (
    "keys  left right or - +  small step     down up or [ ]  big step     c  centre\n"
    "      ,  seek the low end slowly     .  seek the high end; any key stops there\n"
    "      record here:  l  low end     m  centre     h  high end     u  undo\n"
    "      n  write and go on     o  keep the old     0  pulses off     q  end"
)
LOOK = {",": -1, "<": -1, ".": 1, ">": 1}
Outcome = Literal["write", "keep", "end"]


@dataclass(frozen=True)
class Marks:
    """Centre and ends of a servo, microseconds; None: nobody has recorded them."""

    centre_us: float | None
    low_us: float | None
    high_us: float | None

    @property
    def ends_us(self) -> tuple[float, float] | None:
        """Both ends, if both are there."""
        return None if self.low_us is None or self.high_us is None else (self.low_us, self.high_us)

    def line(self) -> str:
        """``centre 1500, ends 620..2380 us``."""
        centre = "not recorded" if self.centre_us is None else f"{self.centre_us:g}"
        ends = self.ends_us
        return f"centre {centre}, ends {'not recorded' if ends is None else f'{ends[0]:g}..{ends[1]:g} us'}"


@dataclass
class Calibration:
    """One servo being calibrated. :meth:`press` takes a key's name, :meth:`tick` lets a search go on.

    Args:
        link: to a board that is on the bench.
        servo: as the figure has it.
        current_a: what the servo (or its rail) draws now, A; None: the figure has no current input, so
            a person watches.
        pin: by which the bench drives it; None: the servo's own.

    """

    link: Link
    servo: Servo
    current_a: Callable[[], float] | None = None
    pin: int | None = None
    outcome: Outcome | None = field(default=None, init=False)
    #: How each end was found in this session: by "key", "current" or "here" (recorded where it stood).
    found: dict[str, str] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        low, high = self.servo.pulse_us
        ends = self.servo.ends_us
        self.before = Marks(self.servo.centre_us, *(ends or (None, None)))
        self.marks = self.before
        self.jog = Jog(
            self.link,
            "servo",
            self.servo.pin if self.pin is None else self.pin,
            reach=Range(
                max(LOW_US, math.ceil(low)),
                round(self.servo.centre_us),
                min(HIGH_US, math.floor(high)),
                SMALL_US,
                BIG_US,
            ),
        )
        self._seeking = 0
        self._standing: list[float] = []
        self._undo: list[Marks] = []

    @property
    def seeking(self) -> bool:
        """Whether an end is being sought: :meth:`tick` is due every :data:`SEEK_S`."""
        return self._seeking != 0

    @property
    def changed(self) -> bool:
        """Whether what was recorded differs from the file."""
        return self.marks != self.before

    def begin(self) -> str:
        """Pulses on, at the centre; the line to show."""
        self.jog.start()
        return self.line()

    def press(self, key: str) -> str:
        """Do what a key says; what to show. Ends with :attr:`outcome` set."""
        key = key.casefold()
        if self._seeking:
            return self._touched("key") if key not in ("q", "quit", "esc", "0", "end") else self._quiet(key)
        if key in ("q", "quit", "esc", "end", "0"):
            return self._quiet(key)
        if key in ("o", "keep"):
            self.marks = self.before
            return self._done("keep")
        if key in ("n", "enter", "next"):
            problem = self.problem()
            return problem or self._done("write" if self.changed else "keep")
        if key == "u":
            if not self._undo:
                return "nothing to undo"
            self.marks = self._undo.pop()
            return self.line()
        if key == "c":
            self.jog.go(self.jog.reach.begin_us)
            return self.line()
        if key in STEPS:
            self.jog.press(key)
            return self.line()
        if key in LOOK or key in ("l", "h", "m"):
            if not self.jog.on:
                return "no pulses: the servo is not at a known place; step first"
            return self._seek(LOOK[key]) if key in LOOK else self._mark(key, self.jog.value, "here")
        return f"{key!r} is no key here\n{HELP}"

    def tick(self) -> str:
        """One step of a search; what to show, empty while it only goes on."""
        if not self._seeking:
            return ""
        if self.current_a is not None:
            now = self.current_a()
            if len(self._standing) < STANDING:
                self._standing.append(now)
                return ""
            if now - sorted(self._standing)[STANDING // 2] > BLOCKED_A:
                return self._touched("current")
        here = self.jog.value
        self.jog.go(here + self._seeking * SEEK_US)
        if self.jog.value == here:
            self._seeking = 0
            return f"{self.line()}\nno stop before the servo's own range ended; l or h records it"
        return ""

    def stop(self) -> None:
        """Pulses off."""
        self._seeking = 0
        self.jog.stop()

    def problem(self) -> str:
        """Why this cannot be written, empty when it can."""
        marks = self.marks
        if (marks.low_us is None) != (marks.high_us is None):
            return f"the {'low' if marks.low_us is None else 'high'} end is not recorded yet"
        if marks.low_us is not None and marks.high_us is not None:
            if marks.low_us >= marks.high_us:
                return f"the low end ({marks.low_us:g}) is not below the high end ({marks.high_us:g} us)"
            if marks.centre_us is not None and not marks.low_us <= marks.centre_us <= marks.high_us:
                return f"the centre ({marks.centre_us:g} us) is not between the ends: record it again"
        return ""

    def line(self) -> str:
        """Where it is now, and what is recorded, with a picture of it."""
        now = f"{self.jog.value} us" if self.jog.on else "no pulses"
        return f"{picture(self.jog.reach, self.marks, self.jog.value if self.jog.on else None)}  {now}"

    def _seek(self, sign: int) -> str:
        self._seeking = sign
        self._standing = []
        way = "low" if sign < 0 else "high"
        watch = (
            "it stops by itself when the current rises; any key stops it too"
            if self.current_a is not None
            else "no current is watched: press any key as soon as it touches, hums or strains"
        )
        return f"seeking the {way} end, 40 us a second\n{watch}"

    def _touched(self, how: str) -> str:
        sign, self._seeking = self._seeking, 0
        at = self.jog.value
        self.jog.go(at - sign * BACK_OFF_US)
        why = "the current rose" if how == "current" else "stopped by a key"
        said = self._mark("l" if sign < 0 else "h", self.jog.value, how)
        return f"{said}\n{why} at {at} us; recorded {BACK_OFF_US} us before it"

    def _mark(self, key: str, value: int, how: str) -> str:
        self._undo.append(self.marks)
        which = {"l": "low_us", "m": "centre_us", "h": "high_us"}[key]
        self.found[which] = how
        self.marks = replace(self.marks, **{which: value})
        problem = self.problem()
        return self.line() + (f"\n{problem}" if problem else "")

    def _quiet(self, key: str) -> str:
        self.stop()
        if key == "0":
            return self.line()
        self.outcome = "end"
        self.marks = self.before
        return ""

    def _done(self, outcome: Outcome) -> str:
        self.stop()
        self.outcome = outcome
        return ""


def current_watch(link: Link, sensors: Mapping[str, Sensor], servo: str) -> Callable[[], float] | None:
    """What a servo draws now, A, by its own current input or else the whole supply's.

    None where the figure has neither, or where the show on the board was made without it: the board reads
    the inputs that its show names.

    Raises:
        LinkError: the line is in trouble.

    """
    order = list(sensors.values())
    fitting = [
        at for at, each in enumerate(order) if each.kind == "current" and each.watches in (servo, None)
    ]
    for at in sorted(fitting, key=lambda at: order[at].watches is None):
        seen = link.seen(at)
        if seen.sensor == at and seen.sensors == len(order) and seen.now is not None:
            return lambda: (link.seen(at).now or 0) / 1000.0
    return None


def picture(reach: Range, marks: Marks, now: int | None, width: int = 41) -> str:
    """The servo's pulse range as a bar: ``500 --[=====|==*==]--- 2500``."""

    def column(value: float) -> int:
        share = (value - reach.low_us) / (reach.high_us - reach.low_us)
        return round(min(1.0, max(0.0, share)) * (width - 1))

    bar = ["-"] * width
    ends = marks.ends_us
    if ends is not None and ends[0] < ends[1]:
        bar[column(ends[0]) : column(ends[1]) + 1] = "=" * (column(ends[1]) - column(ends[0]) + 1)
    for value, mark in ((marks.low_us, "["), (marks.high_us, "]"), (marks.centre_us, "|"), (now, "*")):
        if value is not None:
            bar[column(value)] = mark
    return f"{reach.low_us} {''.join(bar)} {reach.high_us}"
