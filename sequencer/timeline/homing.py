"""The way home at a scene's end: a scene begins and ends at home, which also closes a loop's seam."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.timeline.axis_runs import SAME_RAD, AxisRuns
from sequencer.timeline.curve import State, shortest_s
from sequencer.timeline.laws import DEFAULT_LAW, LAWS
from sequencer.timeline.say import clock, two
from sequencer.timeline.words import DEFAULT_SPEED, SPEEDS, listed


def bring_home(
    axes: Mapping[str, AxisRuns], end_s: float, length_s: float | None, loop: bool, notes: list[str]
) -> float:
    """Bring every axis home after ``end_s`` (before ``length_s`` when there is room).

    Returns when the last axis rests.
    """
    law = LAWS[DEFAULT_LAW]
    share = SPEEDS[DEFAULT_SPEED]
    away = [
        name
        for name, runs in axes.items()
        if any(abs(run.target - runs.axis.home_rad) > SAME_RAD for run in (runs.asked, runs.wish))
    ]
    busy = max((runs.wish.end_s for runs in axes.values()), default=0.0)
    if not away:
        return busy
    slowest = 0.0
    for name in away:
        runs = axes[name]
        for run in (runs.asked, runs.wish):
            slowest = max(slowest, shortest_s(State(run.target), runs.axis.home_rad, law, runs.bounds))
    duration_s = slowest / share
    free_s = max(end_s, *(axes[name].wish.end_s for name in away))
    pace = DEFAULT_SPEED
    if length_s is not None and slowest / SPEEDS["brisk"] <= length_s - free_s < duration_s:
        duration_s = length_s - free_s
        pace = "quick enough for the length written"
    start_s = max(free_s, (length_s or 0.0) - duration_s)
    for name in away:
        runs = axes[name]
        for run in (runs.asked, runs.wish):
            run.go(start_s, runs.axis.home_rad, duration_s, law, runs.bounds)
    why = "so that the loop closes" if loop else "a scene ends at home"
    notes.append(
        f"{listed(away, 'and')} not at home at the end: a return home was added at {clock(start_s)}, "
        f"{pace}, {two(duration_s)} s ({why})"
    )
    return max(busy, start_s + duration_s)
