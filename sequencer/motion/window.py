"""An edit re-plans only what it reaches: windows of the old answer are solved anew and stitched in.

The optimum far from a change does not feel it (measured: 2 s away less than half a microsecond of pulse).
So the programme is compared with the one that was solved before, span by span; about each changed stretch a
window of :data:`REACH_S` to either side is solved with three old points fixed at each of its ends. Every
difference that touches a point of the window is a row of the window's programme, every other one is the old
answer's, so the whole keeps its limits; :func:`keeps` looks again.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.motion.interior import NoConvergenceError, Solution, solve
from sequencer.motion.problem import JointProblem, Problem, SpanRows, TrackProblem
from sequencer.motion.spline import Floats, extend
from sequencer.timeline.model import GRID_S

#: How far beyond a change the motion is planned again, seconds to either side.
REACH_S = 4.0
#: A window is wide enough when this far (seconds) within its ends the motion has not changed by more than
#: :data:`FELT_LSB`; else it is widened by :data:`REACH_S` again.
MARGIN_S = 1.0
FELT_LSB = 2.0
#: Windows that hold more than this share of all spans are not worth it.
MOST = 0.6
#: A remembered answer may be over its limits by this share of them: more than a solver leaves, and less
#: than rounding allows for.
TOLERANCE = 1e-6

Spans = NDArray[np.bool_]


@dataclass(frozen=True)
class _Window:
    """Spans ``start`` <= i < ``stop`` of a programme; in a loop ``stop`` may be beyond the seam."""

    start: int
    stop: int


def replan(problem: Problem, former: Problem, answer: Floats) -> Solution | None:
    """The answer to ``problem``, near to that of ``former`` except where they differ.

    ``answer`` holds the extended points of the former's solution. The objective is the whole's, the gap
    that of the windows alone, iterations those of all windows. None when the programmes differ in more
    than stretches of their wish, weight and rows, or too much, or the windows cannot be solved: then
    the whole must be.
    """
    if not _alike(problem, former):
        return None
    old = answer.reshape(-1, len(problem.parts))
    if problem.spans == former.spans:
        changed, before = _changed(problem, former), old
    elif problem.loop:
        return None
    else:
        changed, before = _between(problem, former, old)
    reached = _widened(changed, problem)
    while reached.mean() <= MOST:
        windows = _windows(reached, problem.loop)
        try:
            solved = [solve(_cut(problem, window, before[_places(problem, window)])) for window in windows]
        except (NoConvergenceError, ValueError):
            return None
        points, enough = before.copy(), True
        for window, found in zip(windows, solved, strict=True):
            inner = _places(problem, window)[3:-3]
            points[inner] = found.extended.reshape(-1, len(problem.parts))[3:-3]
            if _felt(problem, window, points[inner] - before[inner]):
                reached |= _widened(_mask(problem, window), problem)
                enough = False
        if enough:
            return _stitched(problem, points, solved)
    return None


def _stitched(problem: Problem, points: Floats, solved: list[Solution]) -> Solution | None:
    whole = extend(points[: problem.spans], True) if problem.loop else points
    extended: Floats = whole.ravel()
    if not keeps(problem, extended):
        return None
    gap, iterations = math.fsum(each.gap for each in solved), sum(each.iterations for each in solved)
    return Solution(extended, problem.objective(extended), gap, iterations)


def same(problem: Problem, former: Problem) -> bool:
    """Whether two programmes ask for the same in everything."""
    return (
        _alike(problem, former)
        and problem.spans == former.spans
        and all(map(np.array_equal, _columns(problem), _columns(former)))
        and not len(_changed_rows(problem.rows, former.rows, 0))
    )


def keeps(problem: Problem, extended: Floats) -> bool:
    """Whether the points keep the programme's ends, boxes, differences, faces and hard rows."""
    tracks = len(problem.parts)
    if extended.shape != ((problem.spans + 3) * tracks,) or not np.isfinite(extended).all():
        return False
    points = extended.reshape(-1, tracks)
    if problem.loop and not np.array_equal(points[:3], points[-3:]):
        return False
    for part, own in zip(problem.parts, points.T, strict=True):
        if part.head is not None and part.tail is not None:
            ends = np.array([*part.head, *part.tail])
            if not np.allclose(np.concatenate([own[:3], own[-3:]]), ends, rtol=0.0, atol=TOLERANCE):
                return False
        if (np.abs(own - part.middle) > part.half_range * (1.0 + TOLERANCE)).any():
            return False
        for order, bound in enumerate(part.bounds, start=1):
            if (np.abs(np.diff(own, order)) > bound * (1.0 + TOLERANCE)).any():
                return False
    for face in problem.faces:
        room = TOLERANCE * (abs(face.a) + abs(face.b)) * max(part.half_range for part in problem.parts)
        if (face.a * points[:, 0] + face.b * points[:, 1] > face.limit + room).any():
            return False
    return _keeps_rows(problem, extended)


def _keeps_rows(problem: Problem, extended: Floats) -> bool:
    rows = problem.rows
    if rows is None:
        return True
    tracks = len(problem.parts)
    at = rows.span[:, None] * tracks + np.arange(4 * tracks)
    sums = (rows.coefficients * extended[at]).sum(axis=1)
    size = np.abs(rows.coefficients).sum(axis=1) * max(part.half_range for part in problem.parts)
    hard = np.isinf(rows.price)
    over = np.maximum(rows.low - sums, sums - rows.high)
    return not (over[hard] > TOLERANCE * size[hard]).any()


# -- where two programmes differ ---------------------------------------------------------------------


def _alike(one: Problem, other: Problem) -> bool:
    """Whether the programmes differ in nothing but lengths, wishes, weights and rows."""
    if isinstance(one, JointProblem) and isinstance(other, JointProblem):
        same = dataclasses.replace(other, parts=one.parts, weight=one.weight, rows=one.rows)
        parts = zip(one.parts, other.parts, strict=False)
        return (
            same == one
            and len(one.parts) == len(other.parts)
            and all(_alike_tracks(mine, theirs) for mine, theirs in parts)
        )
    if isinstance(one, TrackProblem) and isinstance(other, TrackProblem):
        return _alike_tracks(one, other)
    return False


def _alike_tracks(one: TrackProblem, other: TrackProblem) -> bool:
    same = dataclasses.replace(other, wish=one.wish, weight=one.weight, rows=one.rows)
    return (one.weight is None) == (other.weight is None) and same == one


def _columns(problem: Problem) -> list[Floats]:
    """All that a programme says of its grid: wishes (K * steps + 1,), weights (K * steps, ...)."""
    found = [part.wish for part in problem.parts]
    if isinstance(problem, JointProblem):
        return [*found, problem.weight]
    return [*found, *(part.weight for part in problem.parts if part.weight is not None)]


def _changed(problem: Problem, former: Problem) -> Spans:
    """Spans (K,) that ask for something else than those of another programme of the same length."""
    steps, spans = problem.parts[0].steps, problem.spans
    changed = np.zeros(spans, bool)
    for mine, theirs in zip(_columns(problem), _columns(former), strict=True):
        differs = mine != theirs
        differs = differs.reshape(len(differs), -1).any(axis=1)
        changed |= differs[: spans * steps].reshape(spans, steps).any(axis=1)
        if len(differs) > spans * steps:  # samples: a span's last is the next one's first
            changed |= differs[steps::steps]
    for span in _changed_rows(problem.rows, former.rows, 0):
        changed[span] = True
    return changed


def _between(problem: Problem, former: Problem, old: Floats) -> tuple[Spans, Floats]:
    """For lengths that differ: the stretch that is the same neither from the start nor from the end on.

    A cue put in shifts all that follows. With it the old points (K + 3, tracks) about that stretch.
    """
    shift = problem.spans - former.spans
    shorter = min(problem.spans, former.spans)
    before, after = shorter, shorter
    steps = problem.parts[0].steps
    for mine, theirs in zip(_columns(problem), _columns(former), strict=True):
        length = min(len(mine), len(theirs))
        before = min(before, _run(mine[:length], theirs[:length]) // steps)
        after = min(after, _run(mine[-length:][::-1], theirs[-length:][::-1]) // steps)
    for span in _changed_rows(problem.rows, former.rows, 0):
        before = min(before, int(span))
    for span in _changed_rows(problem.rows, former.rows, shift):
        after = min(after, problem.spans - 1 - int(span))
    after = max(0, min(after, shorter - before))
    changed = np.zeros(problem.spans, bool)
    # Where something was only taken out no span is left that differs, but its neighbours meet anew.
    changed[max(0, before - 1) : problem.spans - after + 1] = True
    points = np.zeros((problem.spans + 3, old.shape[1]))
    points[: before + 3] = old[: before + 3]
    points[problem.spans - after :] = old[former.spans - after :]
    return changed, points


def _run(mine: Floats, theirs: Floats) -> int:
    """How many values are the same from the start on."""
    differs = (mine != theirs).reshape(len(mine), -1).any(axis=1)
    return int(differs.argmax()) if differs.any() else len(differs)


def _changed_rows(mine: SpanRows | None, theirs: SpanRows | None, shift: int) -> NDArray[np.int64]:
    """Spans of rows that only one programme has; the other's spans count ``shift`` later."""
    signed = [
        (np.column_stack([rows.span + late, rows.coefficients, rows.low, rows.high, rows.price]), sign)
        for rows, late, sign in ((mine, 0, 1), (theirs, shift, -1))
        if rows is not None
    ]
    if not signed:
        return np.empty(0, np.int64)
    kinds, kind = np.unique(np.concatenate([table for table, _ in signed]), axis=0, return_inverse=True)
    signs = np.concatenate([np.full(len(table), sign) for table, sign in signed])
    surplus = np.bincount(kind.ravel(), weights=signs, minlength=len(kinds))
    spans: NDArray[np.int64] = kinds[surplus != 0, 0].astype(np.int64)
    return spans


def _in_spans(problem: Problem, time_s: float) -> int:
    return math.ceil(time_s / (problem.parts[0].steps * GRID_S))


def _widened(spans: Spans, problem: Problem) -> Spans:
    """The spans and those within reach, round the seam of a loop."""
    reach = _in_spans(problem, REACH_S)
    if not spans.any():
        return spans
    if 2 * reach + 1 >= len(spans):
        return np.ones_like(spans)
    padded = np.pad(spans, reach, mode="wrap") if problem.loop else np.pad(spans, reach)
    sums = np.concatenate([[0], np.cumsum(padded)])
    wide: Spans = sums[2 * reach + 1 :] > sums[: -2 * reach - 1]
    return wide


def _windows(reached: Spans, loop: bool) -> list[_Window]:
    """Runs of spans; in a loop the last may go on beyond the seam."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], reached, [False]]).astype(np.int8)))
    found = [_Window(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    if loop and len(found) > 1 and found[0].start == 0 and found[-1].stop == len(reached):
        first, last = found[0], found.pop()
        found[0] = _Window(last.start, len(reached) + first.stop)
    return found


def _mask(problem: Problem, window: _Window) -> Spans:
    mask = np.zeros(problem.spans, bool)
    mask[np.arange(window.start, window.stop) % problem.spans] = True
    return mask


def _felt(problem: Problem, window: _Window, moved: Floats) -> bool:
    """Whether the free points of a window ``moved`` (n, tracks) near an end that is not the scene's own."""
    margin = _in_spans(problem, MARGIN_S)
    ends = []
    if problem.loop or window.start > 0:
        ends.append(moved[:margin])
    if problem.loop or window.stop < problem.spans:
        ends.append(moved[-margin:])
    return any(bool((np.abs(end) > FELT_LSB).any()) for end in ends)


# -- the programme of a window -----------------------------------------------------------------------


def _places(problem: Problem, window: _Window) -> NDArray[np.int64]:
    """Where the points of a window are among the extended ones."""
    at = np.arange(window.start, window.stop + 3)
    return at % problem.spans if problem.loop else at


def _cut(problem: Problem, window: _Window, points: Floats) -> Problem:
    """The programme of a window; the first and last three of its ``points`` (n + 3, tracks) are fixed."""
    rows = _cut_rows(problem.rows, window, problem.spans)
    if isinstance(problem, JointProblem):
        parts = tuple(
            _cut_track(part, window, own) for part, own in zip(problem.parts, points.T, strict=True)
        )
        weight = problem.weight[_intervals(problem.parts[0], window)]
        return dataclasses.replace(problem, parts=parts, weight=weight, rows=rows)
    (part,) = problem.parts
    return dataclasses.replace(_cut_track(part, window, points[:, 0]), rows=rows)


def _cut_track(part: TrackProblem, window: _Window, points: Floats) -> TrackProblem:
    inner = _intervals(part, window)
    one, two, three, *_, four, five, six = points.tolist()
    return dataclasses.replace(
        part,
        wish=part.wish[np.append(inner, inner[-1] + 1)],
        weight=None if part.weight is None else part.weight[inner],
        head=(one, two, three),
        tail=(four, five, six),
        rows=None,
    )


def _intervals(part: TrackProblem, window: _Window) -> NDArray[np.int64]:
    """Grid intervals of a window, round the seam."""
    return np.arange(window.start * part.steps, window.stop * part.steps) % (part.spans * part.steps)


def _cut_rows(rows: SpanRows | None, window: _Window, spans: int) -> SpanRows | None:
    if rows is None:
        return None
    at = (rows.span - window.start) % spans
    kept = np.flatnonzero(at < window.stop - window.start)
    kept = kept[np.argsort(at[kept], kind="stable")]
    return SpanRows(at[kept], rows.coefficients[kept], rows.low[kept], rows.high[kept], rows.price[kept])
