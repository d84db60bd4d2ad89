"""One axis while its scene is built: what was asked, what it can keep, and what is told of the difference.

Two runs are kept: ``asked``, the scene word for word, and ``wish``, where a move that the axis cannot make in
its time is stretched and arrives late. A late move eats the hold behind it and pushes the cues that
come after its end as written, up to the next that lands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from sequencer.figure.model import Axis, Limits
from sequencer.timeline.cured import CuredChain, blends
from sequencer.timeline.curve import Bounds, Run, Samples, State, shortest_s
from sequencer.timeline.laws import Law
from sequencer.timeline.model import Accent, Shortfall
from sequencer.timeline.say import angle_words, clock, tenth_toward
from sequencer.units import deg_from_rad

#: A move that arrives this late is on time.
ON_TIME_S = 0.005
#: Less late than this is told as a note: the servos see one pulse in each frame of 20 ms.
FRAME_S = 0.02
#: Angles nearer than this are the same.
SAME_RAD = 1e-9
#: A move that is cut short this near its target (share of its way) is a note.
_NEARLY = 0.10


@dataclass
class Made:
    """A move that has not been cut short: where it stands in the wish, and its shortfall when it has one."""

    line: int
    start_s: float
    end_s: float
    begin: float
    target: float
    shortest_s: float
    cured_start_s: float
    pushed_s: float = 0.0
    told: int | None = None


@dataclass
class AxisRuns:
    """One axis; ``shortfalls`` is the scene's list, to which it adds."""

    axis: Axis
    bounds: Bounds
    shortfalls: list[Shortfall]
    asked: Run = field(init=False)
    wish: Run = field(init=False)
    cured: CuredChain = field(init=False)
    accents: list[Accent] = field(default_factory=list)
    made: list[Made] = field(default_factory=list)
    late_line: int | None = None
    told: int | None = None  # the newest shortfall of the chain

    def __post_init__(self) -> None:
        self.asked, self.wish = Run(self.axis.home_rad), Run(self.axis.home_rad)
        self.cured = CuredChain(self.axis.home_rad, self.bounds)

    def moves(self, time_s: float, target: float) -> bool:
        """Whether a cue to ``target`` changes anything."""
        return any(
            not run.state(time_s).still
            or abs(run.state(time_s).p - target) > SAME_RAD
            or run.end_s > time_s + 1e-9
            for run in (self.asked, self.wish, self.cured.run)
        )

    def begins_s(self, time_s: float) -> float:
        """When the wish takes up a cue of ``time_s``: not before a late move that was to have ended has.

        A cue that interrupts a move as written keeps its distance from that move.
        """
        if self.asked.end_s > time_s + 1e-9:
            return time_s + (self.made[-1].pushed_s if self.made else 0.0)
        legs = self.wish.legs
        return time_s if not legs or isinstance(legs[-1], Samples) else max(time_s, self.wish.end_s)

    def within(self, target: float, time_s: float, line: int) -> float:
        """``target`` clamped to the axis's range; tells when that changes it."""
        low, high = self.axis.range_rad
        if low - SAME_RAD <= target <= high + SAME_RAD:
            return target
        edge = min(max(target, low), high)
        most = tenth_toward(edge, self.axis.home_rad)
        self.late_line = line
        self.shortfalls.append(
            Shortfall(
                "range", self.axis.name, time_s, line, deg_from_rad(target), deg_from_rad(edge), "deg",
                f"line {line}: {angle_words(self.axis, target, 2)} is beyond the axis's range",
                f"{angle_words(self.axis, most)} is the most it can",
            )
        )  # fmt: skip
        return edge

    def tell(
        self, time_s: float, line: int, value: float, limit: float, message: str, remedy: str, late_s: float,
        code: str = "rate",
    ) -> int:  # fmt: skip
        """Add a shortfall of the chain (times in s); returns its place in the list."""
        self.told = len(self.shortfalls)
        severity = "warning" if late_s >= FRAME_S else "note"
        self.shortfalls.append(
            Shortfall(code, self.axis.name, time_s, line, value, limit, "s", message, remedy, severity)  # type: ignore[arg-type]
        )
        self.late_line = line
        return self.told

    def move_along(self, then: str) -> None:
        """A cue that is in time now, but not once those before it are cured: their remedy moves it too."""
        if self.told is not None:
            told = self.shortfalls[self.told]
            self.shortfalls[self.told] = replace(told, remedy=f"{told.remedy}; then {then}")

    def add(
        self, line: int, start_s: float, wish_s: float, way: tuple[float, float], law: Law,
        cured_start_s: float, pushed_s: float, told: int | None,
    ) -> None:  # fmt: skip
        """Note the newest move."""
        begin, target = way
        least_s = shortest_s(State(begin), target, law, self.bounds)
        self.made.append(
            Made(line, start_s, start_s + wish_s, begin, target, least_s, cured_start_s, pushed_s, told)
        )

    def tell_cut(self, time_s: float, target: float, by: str, remedy: str) -> bool:
        """Report the moves that are kept from arriving by what takes over at ``time_s``; whether any was.

        ``by`` names that (``line 4``), ``remedy`` is what to write of it instead.
        """
        told = False
        while self.made:
            made = self.made[-1]
            begun = made.start_s <= time_s
            if made.end_s <= time_s + ON_TIME_S:
                break
            self.made.pop()
            reached = self.wish.state(time_s).p if begun else made.begin
            if not (begun and blends(made.begin, made.target, reached, target)):
                self._cut(made, reached if begun else None, time_s, by, remedy)
                told = True
            if begun:
                break
        return told

    def _cut(self, made: Made, reached: float | None, time_s: float, by: str, remedy: str) -> None:
        if reached is None:
            how = f"{by} takes over at {clock(time_s)}, before it begins"
        else:
            got = angle_words(self.axis, reached)
            how = f"{by} takes over at {clock(time_s)}, where it has got to {got}"
        if made.told is not None:
            late = self.shortfalls[made.told]
            self.shortfalls[made.told] = replace(
                late, message=f"{late.message}; {how}", remedy=f"{late.remedy}, and {remedy}",
                severity="warning",
            )  # fmt: skip
            return
        room_s = math.floor((time_s - made.start_s) * 100 + 1e-6) / 100
        if reached is not None and made.cured_start_s <= made.start_s and made.shortest_s <= room_s:
            remedy += f", or give line {made.line} `over {room_s:g}s`"
        far = abs((reached if reached is not None else made.begin) - made.target)
        way = abs(made.target - made.begin)
        self.told = len(self.shortfalls)
        self.shortfalls.append(
            Shortfall(
                "rate", self.axis.name, made.start_s, made.line, time_s - made.start_s,
                made.end_s - made.start_s, "s",
                f"line {made.line}: {angle_words(self.axis, made.target)} is cut short: {how}",
                remedy, "note" if far <= _NEARLY * way else "warning",
            )
        )  # fmt: skip


def bounds_of(limits: Limits, share: float, clock_error: float, speed_share: float = 1.0) -> Bounds:
    """Limits as the planner will keep them: ``share`` of the certified ones, limits/(1+e)^m.

    ``speed_share`` of the top speed at most: a quiet scene's is smaller than ``share``.
    """
    slow = 1.0 + clock_error
    return Bounds(
        min(share, speed_share) * limits.velocity_rad_s / slow,
        share * limits.acceleration_rad_s2 / slow**2,
        share * limits.jerk_rad_s3 / slow**3,
    )
