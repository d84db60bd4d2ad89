"""Moves of all axes: durations from speed words, stretching, landings, and what falls short.

Two runs are kept for each axis: ``asked``, the scene word for word, and ``wish``, where a move that
the axis cannot make in its time is stretched and arrives late. A late move eats the hold behind it;
if the next cue comes sooner, that cue starts on its time from where the axis then is.

Beside them goes the *cured* chain, from which the remedies are taken: every move starts when the one
before it has arrived, from rest, and takes at least its shortest time. Starts and durations are
rounded up to what one would write, so following every remedy of a chain clears all of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from sequencer.figure.model import Axis, Figure, Limits
from sequencer.timeline.curve import Bounds, Leg, Run, State, shortest_s
from sequencer.timeline.laws import DEFAULT_LAW, LAWS, Law
from sequencer.timeline.model import Shortfall
from sequencer.timeline.scene import Manner
from sequencer.timeline.words import DEFAULT_SPEED, SPEEDS, listed
from sequencer.units import deg_from_rad, rad_from_deg

#: A move that arrives this late is on time.
_ON_TIME_S = 0.005
#: Remedies are reckoned more strictly, so that what they leave is always on time.
_CURED_S = 0.001
_SAME_RAD = 1e-9
#: Less late than this is told as a note: the servos see one pulse in each frame of 20 ms.
_FRAME_S = 0.02
#: A pace word gives way to the written length by this share of its duration at most.
_LEAST_OF_PACE = 0.8
#: A move that is cut short this near its target (share of its way) has as good as arrived.
_ARRIVED, _NEARLY = 0.02, 0.10
#: Worth writing instead: a nearer angle that is at least this share of the way.
_WORTHWHILE = 1 / 3


@dataclass
class _Made:
    """The newest move of an axis: where it stands in the wish, and its shortfall when it has one."""

    line: int
    start_s: float
    end_s: float
    begin: float
    target: float
    shortest_s: float
    cured_start_s: float
    told: int | None = None


@dataclass(frozen=True)
class _Cured:
    """Where a move stands in the cured chain: its start, from where, and its time before stretching."""

    start_s: float
    state: State
    asked_s: float


@dataclass
class AxisRuns:
    """One axis while its scene is built."""

    axis: Axis
    bounds: Bounds
    asked: Run
    wish: Run
    late_line: int | None = None
    before_line: int | None = None  # of the move ahead of the one that is being made
    cured: Run = field(init=False)
    made: list[_Made] = field(default_factory=list)
    told: int | None = None  # the newest shortfall of the chain

    def __post_init__(self) -> None:
        self.cured = Run(self.axis.home_rad)

    def cured_start(self, time_s: float, target: float) -> tuple[float, State]:
        """When a cue may begin once all before it is cured, as one would write it, and from where."""
        cured = self.cured
        leg = cured.legs[-1] if cured.legs else None
        if leg is None or time_s >= leg.end_s - _CURED_S:
            return time_s, State(cured.target)
        if isinstance(leg, Leg) and leg.start_s <= time_s:
            state = cured.state(time_s)
            if _blends(leg.begin.p, leg.target, state.p, target):
                return time_s, state
        return _up(leg.end_s), State(leg.target)

    def cure(self, start_s: float, state: State, target: float, asked_s: float, law: Law) -> float:
        """Add a move to the cured chain; returns its duration, as one would write it."""
        needed_s = shortest_s(state, target, law, self.bounds)
        duration_s = asked_s if needed_s <= asked_s + _CURED_S else _up(needed_s)
        self.cured.go(start_s, target, duration_s, law, self.bounds)
        return duration_s

    def words(self, angle_rad: float, digits: int = 1) -> str:
        """``turn left 20``: an angle in the figure's own words."""
        degrees = round(deg_from_rad(angle_rad), digits)
        if degrees == 0:
            return f"{self.axis.name} 0"
        return f"{self.axis.name} {self.axis.words[degrees > 0]} {abs(degrees):g}"


def bounds_of(limits: Limits, share: float, clock_error: float) -> Bounds:
    """Limits as the planner will keep them: ``share`` of the certified ones, limits/(1+e)^m."""
    slow = 1.0 + clock_error
    return Bounds(
        share * limits.velocity_rad_s / slow,
        share * limits.acceleration_rad_s2 / slow**2,
        share * limits.jerk_rad_s3 / slow**3,
    )


class Axes:
    """Every axis of a figure, moved cue by cue in the order of the cues' times."""

    def __init__(
        self, figure: Figure, limits: Mapping[str, Limits], share: float, length_s: float | None = None
    ) -> None:
        self.length_s = length_s
        self.shortfalls: list[Shortfall] = []
        self.notes: list[str] = []
        self.runs: dict[str, AxisRuns] = {
            name: AxisRuns(
                axis,
                bounds_of(limits[name], share, figure.board.clock_error),
                Run(axis.home_rad),
                Run(axis.home_rad),
            )
            for name, axis in figure.axes.items()
        }

    # -- one cue ------------------------------------------------------------------------------

    def move(
        self, time_s: float, targets: Mapping[str, float], manner: Manner, line: int, lands: bool = False
    ) -> float:
        """Move axes to ``targets`` (rad) from ``time_s``, or so that they arrive then.

        With a speed word all of them arrive together. Returns the time at which the cue ends as asked.
        """
        law = LAWS[manner.law or DEFAULT_LAW]
        moving = {name: rad for name, rad in targets.items() if self._moves(name, time_s, rad)}
        if not moving:
            return time_s + (0.0 if lands else manner.over_s or 0.0)
        inside = {name: self._within(name, rad, time_s, line) for name, rad in moving.items()}
        starts = {
            name: (time_s, State(self.runs[name].cured.target))
            if lands
            else self.runs[name].cured_start(time_s, rad)
            for name, rad in inside.items()
        }
        if manner.over_s is not None:
            asked_s = cured_s = manner.over_s
        else:
            share = SPEEDS[manner.speed or DEFAULT_SPEED]
            asked_s = (
                max(self._shortest(name, time_s, rad, law, lands) for name, rad in inside.items()) / share
            )
            asked_s = self._in_length(time_s, asked_s, manner, lands, line, asked_s * share)
            cured_s = (
                max(
                    shortest_s(starts[name][1], rad, law, self.runs[name].bounds)
                    for name, rad in inside.items()
                )
                / share
            )
        for name, rad in moving.items():
            if lands:
                self._land(name, time_s, rad, inside[name], asked_s, law, line, cured_s)
            else:
                cured = _Cured(*starts[name], cured_s)
                self._start(name, time_s, rad, inside[name], asked_s, law, line, cured, len(targets) == 1)
        return time_s if lands else time_s + asked_s

    def _in_length(
        self, time_s: float, asked_s: float, manner: Manner, lands: bool, line: int, shortest: float
    ) -> float:
        """A pace that would only just overrun the written length ends with it; a pace is no duration."""
        length_s = self.length_s
        if length_s is None or lands or not time_s < length_s < time_s + asked_s - 1e-6:
            return asked_s
        left_s = length_s - time_s
        if left_s < max(shortest, _LEAST_OF_PACE * asked_s):
            return asked_s
        self.notes.append(
            f"line {line}: {manner.speed or DEFAULT_SPEED} would end at {clock(time_s + asked_s)}; it takes "
            f"{_two(left_s)} s instead of {_two(asked_s)} s, so that the scene keeps its {length_s:g} s"
        )
        return left_s

    def _moves(self, name: str, time_s: float, target: float) -> bool:
        runs = self.runs[name]
        return any(
            not run.state(time_s).still
            or abs(run.state(time_s).p - target) > _SAME_RAD
            or run.end_s > time_s + 1e-9
            for run in (runs.asked, runs.wish, runs.cured)
        )

    def _shortest(self, name: str, time_s: float, target: float, law: Law, lands: bool) -> float:
        runs = self.runs[name]
        state = State(runs.asked.target) if lands else runs.asked.state(time_s)
        return shortest_s(state, target, law, runs.bounds)

    def _within(self, name: str, target: float, time_s: float, line: int) -> float:
        """``target`` clamped to the axis's range; tells when that changes it."""
        runs = self.runs[name]
        low, high = runs.axis.range_rad
        if low - _SAME_RAD <= target <= high + _SAME_RAD:
            return target
        edge = min(max(target, low), high)
        most = _floor_toward_zero(edge, runs.axis.home_rad)
        runs.late_line = line
        self.shortfalls.append(
            Shortfall(
                "range", name, time_s, line, deg_from_rad(target), deg_from_rad(edge), "deg",
                f"line {line}: {runs.words(target, 2)} is beyond the axis's range",
                f"{runs.words(most)} is the most it can",
            )
        )  # fmt: skip
        return edge

    def _start(
        self, name: str, time_s: float, target: float, inside: float, asked_s: float, law: Law, line: int,
        cured: _Cured, alone: bool,
    ) -> None:  # fmt: skip
        runs = self.runs[name]
        runs.before_line = runs.made[-1].line if runs.made else None
        before = runs.wish.state(time_s)
        meant = runs.asked.state(time_s)
        possible_s = shortest_s(before, inside, law, runs.bounds)
        least_s = cured.asked_s
        if not meant.still and possible_s > asked_s + _ON_TIME_S:
            least_s = max(least_s, _first_that_fits(before, inside, possible_s, law, runs))
        give_s = runs.cure(cured.start_s, cured.state, inside, least_s, law)
        then = f"line {line} at {clock(cured.start_s)} or later"
        if give_s > cured.asked_s:
            then += f" `over {give_s:g}s`"
        stated = self._tell_cut(runs, name, time_s, inside, line, then)
        runs.asked.go(time_s, target, asked_s, law, runs.bounds)
        wish_s = max(asked_s, possible_s)
        told = None
        if wish_s - asked_s > _ON_TIME_S:
            remedy = self._late_remedy(
                runs, time_s, (before, meant), inside, asked_s, wish_s, law, cured, give_s, alone
            )
            late_s = wish_s - asked_s
            told = runs.told = len(self.shortfalls)
            stated = stated or "start it" in remedy or cured.start_s == time_s
            self.shortfalls.append(
                Shortfall(
                    "rate", name, time_s, line, asked_s, wish_s, "s",
                    f"line {line}: {runs.words(inside)} over {asked_s:.4g} s arrives {_two(late_s)} s late",
                    remedy, "warning" if late_s >= _FRAME_S else "note",
                )
            )  # fmt: skip
            runs.late_line = line
        if not stated and (cured.start_s > time_s or give_s > cured.asked_s):
            self._move_along(runs, then)
        runs.wish.go(time_s, inside, wish_s, law, runs.bounds)
        self._made(runs, line, time_s, wish_s, (before.p, inside), law, cured.start_s, told)

    def _move_along(self, runs: AxisRuns, then: str) -> None:
        """A cue that is in time now, but not once those before it are cured: their remedy moves it too."""
        if runs.told is not None:
            told = self.shortfalls[runs.told]
            self.shortfalls[runs.told] = replace(told, remedy=f"{told.remedy}; then {then}")

    def _made(
        self, runs: AxisRuns, line: int, start_s: float, wish_s: float, way: tuple[float, float], law: Law,
        cured_start_s: float, told: int | None,
    ) -> None:  # fmt: skip
        begin, target = way
        least_s = shortest_s(State(begin), target, law, runs.bounds)
        runs.made.append(_Made(line, start_s, start_s + wish_s, begin, target, least_s, cured_start_s, told))

    def _tell_cut(
        self, runs: AxisRuns, name: str, time_s: float, target: float, line: int, then: str
    ) -> bool:
        """Report the moves that a cue at ``time_s`` keeps from arriving; whether any was.

        ``then`` is what that cue should be instead.
        """
        told = False
        while runs.made:
            made = runs.made.pop()
            begun = made.start_s <= time_s
            if made.end_s <= time_s + _ON_TIME_S:
                break
            reached = runs.wish.state(time_s).p if begun else made.begin
            if not (begun and _blends(made.begin, made.target, reached, target)):
                self._cut(runs, name, made, reached if begun else None, time_s, line, then)
                told = True
            if begun:
                break
        return told

    def _cut(
        self, runs: AxisRuns, name: str, made: _Made, reached: float | None, time_s: float, line: int,
        then: str,
    ) -> None:  # fmt: skip
        if reached is None:
            how = f"line {line} at {clock(time_s)} takes over before it begins"
        else:
            how = f"line {line} takes over at {clock(time_s)}, where it has got to {runs.words(reached)}"
        remedy = f"start {then}"
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
        runs.told = len(self.shortfalls)
        self.shortfalls.append(
            Shortfall(
                "rate", name, made.start_s, made.line, time_s - made.start_s, made.end_s - made.start_s, "s",
                f"line {made.line}: {runs.words(made.target)} is cut short: {how}",
                remedy, "note" if far <= _NEARLY * way else "warning",
            )
        )  # fmt: skip

    def _late_remedy(
        self, runs: AxisRuns, time_s: float, states: tuple[State, State], inside: float, asked_s: float,
        wish_s: float, law: Law, cured: _Cured, duration_s: float, alone: bool,
    ) -> str:  # fmt: skip
        """What to write for a late move; ``states``: where the axis is at its start, and should be."""
        before, meant = states
        start_s = cured.start_s
        if before.still and start_s == time_s:
            give_s = max(_up(wish_s), duration_s)
            remedy = f"give it `over {give_s:g}s`"
            nearer = self._nearer(runs, before.p, inside, asked_s, law) if alone else None
            if nearer is not None:
                pace = "" if law.word == DEFAULT_LAW else f", {law.word}"
                remedy += f", or write `{runs.words(nearer)} over {asked_s:.4g}s{pace}`"
            return remedy
        if not meant.still:  # the scene interrupts the axis on purpose: keep the start
            return f"give it `over {duration_s:g}s`: it begins while line {runs.before_line} is still moving"
        steps = []
        if start_s > time_s:
            steps.append(f"start it at {clock(start_s)} or later")
        if duration_s > cured.asked_s:
            steps.append(f"give it `over {duration_s:g}s`")
        cause = f"line {runs.late_line}" if runs.late_line is not None else "the one before"
        first = f"it begins behind because of {cause}: cure that first"
        return f"{first}, then {' and '.join(steps)}" if steps else f"{first}; then this one is on time"

    def _nearer(self, runs: AxisRuns, begin: float, target: float, asked_s: float, law: Law) -> float | None:
        """The farthest tenth of a degree toward ``target`` that the axis makes in ``asked_s``."""
        bounds = runs.bounds
        reach = law.farthest(asked_s, bounds.velocity, bounds.acceleration, bounds.jerk)
        end = begin + math.copysign(reach, target - begin)
        tenth = _floor_toward_zero(end, begin)
        useful = max(_WORTHWHILE * abs(target - begin), rad_from_deg(0.1) - 1e-9)
        return tenth if abs(tenth - begin) >= useful else None

    def _land(
        self, name: str, time_s: float, target: float, inside: float, asked_s: float, law: Law, line: int,
        cured_asked_s: float,
    ) -> None:  # fmt: skip
        """Arrive at ``time_s``: start early, but not before the axis has ended what it does."""
        runs = self.runs[name]
        asked_start = max(min(max(time_s - asked_s, runs.asked.end_s), time_s), 0.0)
        runs.asked.go(asked_start, target, time_s - asked_start, law, runs.bounds)
        own_s = shortest_s(State(runs.wish.target), inside, law, runs.bounds)
        wish_s = max(asked_s, own_s)
        start_s = max(time_s - wish_s, runs.wish.end_s, 0.0)
        arrival_s = start_s + wish_s
        behind_s = runs.cured.end_s
        cured_s = max(cured_asked_s, shortest_s(State(runs.cured.target), inside, law, runs.bounds))
        earliest_s = max(behind_s, 0.0) + cured_s
        late, told = arrival_s > time_s + _ON_TIME_S, None
        lands_s = _up(max(earliest_s, arrival_s)) if late or earliest_s > time_s + _ON_TIME_S else time_s
        if late:
            busy = start_s > 0
            told = runs.told = len(self.shortfalls)
            self.shortfalls.append(
                Shortfall(
                    "rate", name, start_s, line, time_s, arrival_s, "s",
                    f"line {line}: {runs.words(inside)} lands {_two(arrival_s - time_s)} s late"
                    + (", the axis is still busy before" if busy else ""),
                    f"let it land at {clock(lands_s)} or later"
                    + (", or end the move before it sooner" if busy else ""),
                    "warning" if arrival_s - time_s >= _FRAME_S else "note",
                )
            )  # fmt: skip
            runs.late_line = line
        elif wish_s > asked_s + _ON_TIME_S:
            self.notes.append(
                f"line {line}: {runs.words(inside)} needs {_two(wish_s)} s, more than the {asked_s:.4g} s "
                f"given; it starts earlier and lands on time"
            )
        if not late and lands_s > time_s:
            self._move_along(runs, f"line {line} at {clock(lands_s)} or later")
        begin = runs.wish.target
        runs.wish.go(start_s, inside, wish_s, law, runs.bounds)
        runs.cured.go(lands_s - cured_s, inside, cured_s, law, runs.bounds)
        self._made(runs, line, start_s, wish_s, (begin, inside), law, start_s, told)

    # -- the end ------------------------------------------------------------------------------

    def close(self, end_s: float, length_s: float | None, loop: bool) -> float:
        """Bring every axis home after ``end_s`` (before ``length_s`` when there is room).

        Returns when the last axis rests. A loop starts at home, so home also closes its seam.
        """
        law = LAWS[DEFAULT_LAW]
        share = SPEEDS[DEFAULT_SPEED]
        away = [
            name
            for name, runs in self.runs.items()
            if any(abs(run.target - runs.axis.home_rad) > _SAME_RAD for run in (runs.asked, runs.wish))
        ]
        busy = max((runs.wish.end_s for runs in self.runs.values()), default=0.0)
        if not away:
            return busy
        slowest = 0.0
        for name in away:
            runs = self.runs[name]
            for run in (runs.asked, runs.wish):
                slowest = max(slowest, shortest_s(State(run.target), runs.axis.home_rad, law, runs.bounds))
        duration_s = slowest / share
        free_s = max(end_s, *(self.runs[name].wish.end_s for name in away))
        pace = DEFAULT_SPEED
        if length_s is not None and slowest / SPEEDS["brisk"] <= length_s - free_s < duration_s:
            duration_s = length_s - free_s
            pace = "quick enough for the length written"
        start_s = max(free_s, (length_s or 0.0) - duration_s)
        for name in away:
            runs = self.runs[name]
            for run in (runs.asked, runs.wish):
                run.go(start_s, runs.axis.home_rad, duration_s, law, runs.bounds)
        why = "so that the loop closes" if loop else "a scene ends at home"
        self.notes.append(
            f"{listed(away, 'and')} not at home at the end: a return home was added at {clock(start_s)}, "
            f"{pace}, {_two(duration_s)} s ({why})"
        )
        return max(busy, start_s + duration_s)


def _blends(begin: float, target: float, reached: float, following: float) -> bool:
    """Whether a move that is at ``reached`` may give way to one to ``following`` without a loss.

    It has as good as arrived, or the next one passes its target all the same.
    """
    if (following - target) * (target - begin) >= 0:
        return True
    return abs(target - reached) <= max(_ARRIVED * abs(target - begin), rad_from_deg(0.1))


def _floor_toward_zero(angle_rad: float, begin_rad: float) -> float:
    """``angle`` to a tenth of a degree, rounded toward ``begin`` (never beyond the angle)."""
    tenths = deg_from_rad(angle_rad) * 10
    whole = math.floor(tenths + 1e-7) if angle_rad >= begin_rad else math.ceil(tenths - 1e-7)
    return rad_from_deg(whole / 10)


def _first_that_fits(before: State, target: float, from_s: float, law: Law, runs: AxisRuns) -> float:
    """The first hundredth of a second from which on the move needs no stretching."""
    give = _up(from_s)
    while shortest_s(before, target, law, runs.bounds) > give + _CURED_S:  # pragma: no cover - monotone
        give = round(give + 0.01, 2)
    return give


def _up(seconds: float) -> float:
    return math.ceil(seconds * 100 - 1e-6) / 100


def _two(seconds: float) -> str:
    return f"{seconds:.2f}" if seconds >= 0.01 else f"{seconds:.3f}"


def clock(seconds: float) -> str:
    """``0:02.50``: a time as a scene writes it, to the hundredth."""
    hundredths = round(seconds * 100)
    return f"{hundredths // 6000}:{hundredths % 6000 / 100:05.2f}"
