"""Moves of all axes: durations from speed words, stretching, landings, and what falls short.

Two runs are kept for each axis: ``asked``, the scene word for word, and ``wish``, where a move that
the axis cannot make in its time is stretched and arrives late. A late move eats the hold behind it;
if the next cue comes sooner, that cue starts on its time from where the axis then is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.figure.model import Axis, Figure, Limits
from sequencer.timeline.curve import Bounds, Run, State, shortest_s
from sequencer.timeline.laws import DEFAULT_LAW, LAWS, Law
from sequencer.timeline.model import Shortfall
from sequencer.timeline.scene import Manner
from sequencer.timeline.words import DEFAULT_SPEED, SPEEDS, listed
from sequencer.units import deg_from_rad, rad_from_deg

#: A move that arrives this late is on time.
_ON_TIME_S = 0.002
_SAME_RAD = 1e-9


@dataclass
class AxisRuns:
    """One axis while its scene is built."""

    axis: Axis
    bounds: Bounds
    asked: Run
    wish: Run
    late_line: int | None = None
    last_line: int | None = None

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

    def __init__(self, figure: Figure, limits: Mapping[str, Limits], share: float) -> None:
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
        if manner.over_s is not None:
            asked_s = manner.over_s
        else:
            share = SPEEDS[manner.speed or DEFAULT_SPEED]
            asked_s = (
                max(self._shortest(name, time_s, rad, law, lands) for name, rad in inside.items()) / share
            )
        for name, rad in moving.items():
            if lands:
                self._land(name, time_s, rad, inside[name], asked_s, law, line)
            else:
                self._start(name, time_s, rad, inside[name], asked_s, law, line)
        return time_s if lands else time_s + asked_s

    def _moves(self, name: str, time_s: float, target: float) -> bool:
        runs = self.runs[name]
        return any(
            not run.state(time_s).still
            or abs(run.state(time_s).p - target) > _SAME_RAD
            or run.end_s > time_s + 1e-9
            for run in (runs.asked, runs.wish)
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
        self, name: str, time_s: float, target: float, inside: float, asked_s: float, law: Law, line: int
    ) -> None:
        runs = self.runs[name]
        before = runs.wish.state(time_s)
        meant = runs.asked.state(time_s)
        runs.asked.go(time_s, target, asked_s, law, runs.bounds)
        possible_s = shortest_s(before, inside, law, runs.bounds)
        wish_s = max(asked_s, possible_s)
        late_s = wish_s - asked_s
        if late_s > _ON_TIME_S:
            self._tell_late(runs, name, time_s, line, (before, meant), inside, asked_s, wish_s, law)
        runs.wish.go(time_s, inside, wish_s, law, runs.bounds)
        runs.last_line = line
        if late_s > _ON_TIME_S:
            runs.late_line = line

    def _tell_late(
        self, runs: AxisRuns, name: str, time_s: float, line: int, states: tuple[State, State],
        inside: float, asked_s: float, wish_s: float, law: Law,
    ) -> None:  # fmt: skip
        """Report a late move; ``states`` are where the axis is at its start, and where it should be."""
        before, meant = states
        late = f"{_two(wish_s - asked_s)} s late"
        message = f"line {line}: {runs.words(inside)} over {asked_s:.4g} s arrives {late}"
        if before != meant and runs.late_line is not None:
            remedy = f"it begins behind because of line {runs.late_line}: cure that one first"
            own_s = shortest_s(meant, inside, law, runs.bounds)  # once the other one is cured
            if own_s > asked_s + _ON_TIME_S:
                remedy += f", then give this one at least {_up(own_s)} s"
        elif not before.still:
            give = _first_that_fits(before, inside, wish_s, law, runs)
            remedy = f"give it {give:g} s, or let the move before it (line {runs.last_line}) arrive first"
        else:
            remedy = f"give it {_up(wish_s)} s"
            nearer = self._nearer(runs, before.p, inside, asked_s, law)
            if nearer is not None:
                remedy += f", or write {runs.words(nearer)} in {asked_s:.4g} s"
        self.shortfalls.append(Shortfall("rate", name, time_s, line, asked_s, wish_s, "s", message, remedy))

    def _nearer(self, runs: AxisRuns, begin: float, target: float, asked_s: float, law: Law) -> float | None:
        """The farthest tenth of a degree toward ``target`` that the axis makes in ``asked_s``."""
        bounds = runs.bounds
        reach = law.farthest(asked_s, bounds.velocity, bounds.acceleration, bounds.jerk)
        end = begin + math.copysign(reach, target - begin)
        tenth = _floor_toward_zero(end, begin)
        return tenth if abs(deg_from_rad(tenth - begin)) >= 0.1 - 1e-9 else None

    def _land(
        self, name: str, time_s: float, target: float, inside: float, asked_s: float, law: Law, line: int
    ) -> None:
        """Arrive at ``time_s``: start early, but not before the axis has ended what it does."""
        runs = self.runs[name]
        asked_start = max(min(max(time_s - asked_s, runs.asked.end_s), time_s), 0.0)
        runs.asked.go(asked_start, target, time_s - asked_start, law, runs.bounds)
        wish_s = max(asked_s, shortest_s(State(runs.wish.target), inside, law, runs.bounds))
        start_s = max(time_s - wish_s, runs.wish.end_s, 0.0)
        arrival_s = start_s + wish_s
        if arrival_s > time_s + _ON_TIME_S:
            earliest = _up(arrival_s)
            self.shortfalls.append(
                Shortfall(
                    "rate", name, start_s, line, time_s, arrival_s, "s",
                    f"line {line}: {runs.words(inside)} lands {_two(arrival_s - time_s)} s late"
                    + (", the axis is still busy before" if start_s > 0 else ""),
                    f"let it land at {_clock(earliest)} or later, or end the move before it sooner"
                    if start_s > 0 else f"let it land at {_clock(earliest)} or later",
                )
            )  # fmt: skip
            runs.late_line = line
        elif wish_s > asked_s + _ON_TIME_S:
            self.notes.append(
                f"line {line}: {runs.words(inside)} needs {_two(wish_s)} s, more than the {asked_s:.4g} s "
                f"given; it starts earlier and lands on time"
            )
        runs.wish.go(start_s, inside, wish_s, law, runs.bounds)
        runs.last_line = line

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
        start_s = max(end_s, (length_s or 0.0) - duration_s, *(self.runs[name].wish.end_s for name in away))
        for name in away:
            runs = self.runs[name]
            for run in (runs.asked, runs.wish):
                run.go(start_s, runs.axis.home_rad, duration_s, law, runs.bounds)
        why = "so that the loop closes" if loop else "a scene ends at home"
        self.notes.append(
            f"{listed(away, 'and')} not at home at the end: a return home was added at {_clock(start_s)}, "
            f"{DEFAULT_SPEED}, {_two(duration_s)} s ({why})"
        )
        return max(busy, start_s + duration_s)


def _floor_toward_zero(angle_rad: float, begin_rad: float) -> float:
    """``angle`` to a tenth of a degree, rounded toward ``begin`` (never beyond the angle)."""
    tenths = deg_from_rad(angle_rad) * 10
    whole = math.floor(tenths + 1e-7) if angle_rad >= begin_rad else math.ceil(tenths - 1e-7)
    return rad_from_deg(whole / 10)


def _first_that_fits(before: State, target: float, from_s: float, law: Law, runs: AxisRuns) -> float:
    """The first hundredth of a second from which on the move needs no stretching."""
    give = _up(from_s)
    while shortest_s(before, target, law, runs.bounds) > give + _ON_TIME_S:  # pragma: no cover - monotone
        give = round(give + 0.01, 2)
    return give


def _up(seconds: float) -> float:
    return math.ceil(seconds * 100 - 1e-6) / 100


def _two(seconds: float) -> str:
    return f"{seconds:.2f}" if seconds >= 0.01 else f"{seconds:.3f}"


def _clock(seconds: float) -> str:
    minutes = int(seconds // 60)
    return f"{minutes}:{seconds - 60 * minutes:05.2f}"
