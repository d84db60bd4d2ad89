"""Moves that land: they start early enough to arrive at their time, and give way to nothing.

What the axis does before is ended for it where it must be: first the hold before the landing is used up,
then the moves that were pushed late, then the move before is cut short (and told).
"""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.timeline.axis_runs import ON_TIME_S, AxisRuns
from sequencer.timeline.curve import Run, shortest_s
from sequencer.timeline.laws import Law
from sequencer.timeline.model import Accent
from sequencer.timeline.say import angle_words, clock, two, up

#: Halvings in the search for the latest start that still arrives on time.
_HALVINGS = 12


@dataclass(frozen=True)
class Landing:
    """A move of one axis that is to arrive at ``time_s``; ``asked_s`` and ``cured_s`` its durations."""

    time_s: float
    target: float
    inside: float
    asked_s: float
    cured_s: float
    law: Law
    line: int


def land(runs: AxisRuns, landing: Landing, notes: list[str]) -> None:
    """Add a landing to an axis; tells when it is late, when it must be quicker, and what it cuts short."""
    time_s, inside, law, line = landing.time_s, landing.inside, landing.law, landing.line
    asked_start_s = max(min(max(time_s - landing.asked_s, runs.asked.end_s), time_s), 0.0)
    runs.asked.go(asked_start_s, landing.target, time_s - asked_start_s, law, runs.bounds)
    lands_s = runs.cured.land(time_s, inside, landing.cured_s, law)
    start_s = _start_s(runs, landing)
    before = runs.wish.state(start_s)
    needed_s = shortest_s(before, inside, law, runs.bounds)
    wish_s = max(needed_s, time_s - start_s)
    late_s = start_s + wish_s - time_s
    name, there_s = angle_words(runs.axis, inside), up(max(lands_s, start_s + wish_s))
    remedy = f"let it land at {clock(there_s)} or later"
    stated = runs.tell_cut(
        start_s, inside, f"line {line}", f"let line {line} land at {clock(there_s)} or later"
    )
    told = None
    if late_s > ON_TIME_S:
        busy = start_s > 0
        stated = True
        told = runs.tell(
            time_s, line, time_s, time_s + late_s,
            f"line {line}: {name} lands {two(late_s)} s late"
            + (", the axis is still busy before" if busy else ""),
            remedy + (", or end the move before it sooner" if busy else ""),
            late_s, "sync",
        )  # fmt: skip
    elif needed_s > landing.asked_s + ON_TIME_S and not stated:
        notes.append(
            f"line {line}: {name} needs {two(needed_s)} s, more than the {landing.asked_s:.4g} s "
            f"given; it starts earlier and lands on time"
        )
    if not stated and lands_s > time_s:
        runs.move_along(f"line {line} at {clock(lands_s)} or later")
    runs.wish.go(start_s, inside, wish_s, law, runs.bounds)
    runs.add(line, start_s, wish_s, (before.p, inside), law, start_s, 0.0, told)
    runs.accents.append(Accent(time_s, inside, True, line, remedy))


def _start_s(runs: AxisRuns, landing: Landing) -> float:
    """The latest start, at most the asked duration ahead, from which the axis arrives in time.

    Where there is none: the beginning of the newest move that it may cut short.
    """

    def late_s(start_s: float) -> float:
        state = runs.wish.state(start_s)
        return start_s + shortest_s(state, landing.inside, landing.law, runs.bounds) - landing.time_s

    wish: Run = runs.wish
    rested_s = max(wish.end_s, 0.0)
    ideal_s = landing.time_s - landing.asked_s
    if rested_s <= landing.time_s and late_s(rested_s) <= 0.0:
        needed_s = late_s(rested_s) + landing.time_s - rested_s
        return max(min(ideal_s, landing.time_s - needed_s), rested_s)
    floor_s = min(rested_s, landing.time_s)
    for made in reversed(runs.made):
        floor_s = min(floor_s, max(made.start_s, 0.0))
        if made.pushed_s == 0.0 or late_s(floor_s) <= 0.0:
            break
    low, high = floor_s, min(rested_s, landing.time_s)
    if late_s(low) > 0.0:
        return low
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if late_s(middle) <= 0.0 else (low, middle)
    return low
