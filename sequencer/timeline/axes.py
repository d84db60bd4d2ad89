"""Moves of all axes: durations from speed words, stretching, and what falls short."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.figure.model import Figure, Limits
from sequencer.timeline.axis_runs import ON_TIME_S, AxisRuns, bounds_of
from sequencer.timeline.cured import Cure, nearer, pace_words
from sequencer.timeline.curve import Samples, State, shortest_s
from sequencer.timeline.landings import Landing, land
from sequencer.timeline.laws import DEFAULT_LAW, LAWS, Law
from sequencer.timeline.model import Shortfall
from sequencer.timeline.say import angle_words, clock, two, up
from sequencer.timeline.scene import Manner
from sequencer.timeline.words import DEFAULT_SPEED, SPEEDS

#: A pace word gives way to the written length by this share of its duration at most.
_LEAST_OF_PACE = 0.8


@dataclass(frozen=True)
class _Go:
    """A move of one axis that starts at ``time_s``; ``alone``: its cue moves no other axis."""

    time_s: float
    target: float
    inside: float
    asked_s: float
    law: Law
    line: int
    alone: bool


@dataclass(frozen=True)
class _Begun:
    """How the wish takes a move up: when, from where, and where the axis should be as written."""

    start_s: float
    before: State
    meant: State


class Axes:
    """Every axis of a figure, moved cue by cue in the order of the cues' times."""

    def __init__(
        self,
        figure: Figure,
        limits: Mapping[str, Limits],
        share: float,
        length_s: float | None = None,
        speed_share: float = 1.0,
    ) -> None:
        self.length_s = length_s
        self.shortfalls: list[Shortfall] = []
        self.notes: list[str] = []
        error = figure.board.clock_error
        self.runs = {
            name: AxisRuns(axis, bounds_of(limits[name], share, error, speed_share), self.shortfalls)
            for name, axis in figure.axes.items()
        }

    def move(
        self, time_s: float, targets: Mapping[str, float], manner: Manner, line: int, lands: bool = False
    ) -> float:
        """Move axes to ``targets`` (rad) from ``time_s``, or so that they arrive then.

        With a speed word all of them arrive together. Returns the time at which the cue ends as asked.
        """
        law = LAWS[manner.law or DEFAULT_LAW]
        moving = {name: rad for name, rad in targets.items() if lands or self.runs[name].moves(time_s, rad)}
        if not moving:
            return time_s + (0.0 if lands else manner.over_s or 0.0)
        inside = {name: self.runs[name].within(rad, time_s, line) for name, rad in moving.items()}
        starts = {
            name: (time_s, State(self.runs[name].cured.run.target))
            if lands
            else self.runs[name].cured.start(time_s, rad)
            for name, rad in inside.items()
        }
        if manner.over_s is not None:
            asked_s = cured_s = manner.over_s
        else:
            share = SPEEDS[manner.speed or DEFAULT_SPEED]
            least_s = max(self._shortest(name, time_s, rad, law, lands) for name, rad in inside.items())
            asked_s = self._in_length(time_s, least_s / share, manner, lands, line, least_s)
            cured_s = (
                max(
                    shortest_s(starts[name][1], rad, law, self.runs[name].bounds)
                    for name, rad in inside.items()
                )
                / share
            )
        for name, rad in moving.items():
            if lands:
                landing = Landing(time_s, rad, inside[name], asked_s, cured_s, law, line)
                land(self.runs[name], landing, self.notes)
            else:
                go = _Go(time_s, rad, inside[name], asked_s, law, line, len(targets) == 1)
                _start(self.runs[name], go, Cure(*starts[name], cured_s))
        return time_s if lands else time_s + asked_s

    def take(self, name: str, samples: Samples, line: int) -> None:
        """An imported stretch takes its axis over, whatever it does; tells what that cuts short."""
        runs = self.runs[name]
        begin_s = up(max(runs.wish.end_s, runs.cured.run.end_s))
        runs.tell_cut(
            samples.start_s, float(samples.values[0]), f"the score of line {line}",
            f"begin the score of line {line} {two(begin_s - samples.start_s)} s later",
        )  # fmt: skip
        for run in (runs.asked, runs.wish, runs.cured.run):
            run.take(samples)
        runs.made.clear()

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
            f"{two(left_s)} s instead of {two(asked_s)} s, so that the scene keeps its {length_s:g} s"
        )
        return left_s

    def _shortest(self, name: str, time_s: float, target: float, law: Law, lands: bool) -> float:
        runs = self.runs[name]
        state = State(runs.asked.target) if lands else runs.asked.state(time_s)
        return shortest_s(state, target, law, runs.bounds)


def _start(runs: AxisRuns, go: _Go, cured: Cure) -> None:
    """Add a move that starts at its time, or is pushed by a late one before it."""
    time_s, inside, asked_s, law, line = go.time_s, go.inside, go.asked_s, go.law, go.line
    meant = runs.asked.state(time_s)
    start_s = runs.begins_s(time_s)
    begun = _Begun(start_s, runs.wish.state(start_s), meant)
    before_line = runs.made[-1].line if runs.made else None
    possible_s = shortest_s(begun.before, inside, law, runs.bounds)
    least_s = cured.asked_s
    if not meant.still and possible_s > asked_s + ON_TIME_S:
        least_s = max(least_s, up(possible_s))
    give_s = runs.cured.add(cured, inside, least_s, law)
    then = f"line {line} at {clock(cured.start_s)} or later"
    if give_s > cured.asked_s:
        then += f" `over {give_s:g}s`"
    stated = runs.tell_cut(start_s, inside, f"line {line}", f"start {then}")
    runs.asked.go(time_s, go.target, asked_s, law, runs.bounds)
    wish_s = max(asked_s, possible_s)
    late_s = start_s + wish_s - time_s - asked_s
    told = None
    if late_s > ON_TIME_S:
        remedy = _late_remedy(runs, go, begun, wish_s, cured, give_s, before_line)
        stated = stated or "start it" in remedy or cured.start_s == time_s
        pushed = f"begins {two(start_s - time_s)} s late and " if start_s > time_s + ON_TIME_S else ""
        told = runs.tell(
            time_s, line, asked_s, asked_s + late_s,
            f"line {line}: {angle_words(runs.axis, inside)} over {asked_s:.4g} s "
            f"{pushed}arrives {two(late_s)} s late",
            remedy, late_s,
        )  # fmt: skip
    if not stated and (cured.start_s > time_s or give_s > cured.asked_s):
        runs.move_along(then)
    runs.wish.go(start_s, inside, wish_s, law, runs.bounds)
    runs.add(line, start_s, wish_s, (begun.before.p, inside), law, cured.start_s, start_s - time_s, told)


def _late_remedy(
    runs: AxisRuns, go: _Go, begun: _Begun, wish_s: float, cured: Cure, give_s: float, before_line: int | None
) -> str:
    """What to write for a late move."""
    if begun.before.still and cured.start_s == go.time_s == begun.start_s:
        longer_s = max(up(wish_s), give_s)
        remedy = f"give it `over {longer_s:g}s`"
        near = nearer(begun.before.p, go.inside, go.asked_s, go.law, runs.bounds) if go.alone else None
        if near is not None:
            written = f"{angle_words(runs.axis, near)} over {go.asked_s:.4g}s{pace_words(go.law)}"
            remedy += f", or write `{written}`"
        return remedy
    if not begun.meant.still:  # the scene interrupts the axis on purpose: keep the start
        return f"give it `over {give_s:g}s`: it begins while line {before_line} is still moving"
    steps = []
    if cured.start_s > go.time_s:
        steps.append(f"start it at {clock(cured.start_s)} or later")
    if give_s > cured.asked_s:
        steps.append(f"give it `over {give_s:g}s`")
    cause = f"line {runs.late_line}" if runs.late_line is not None else "the one before"
    first = f"it begins behind because of {cause}: cure that first"
    return f"{first}, then {' and '.join(steps)}" if steps else f"{first}; then this one is on time"
