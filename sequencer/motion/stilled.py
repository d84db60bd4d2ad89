"""A solved problem whose moves do not leave the figure ringing: shaped only where the measure says so.

The taps of :mod:`.shaper` delay a motion by up to their length. So that a scene still ends at rest in time,
its problem is solved again on a horizon that much shorter; a loop is filtered round and taken whole knots
earlier. What must land (priced rows of a problem) is asked of the unshaped motion that much earlier.
Hard rows that differ from knot to knot, like a torque limit's about one pose, hold for every
shift at its own time, not for their average: whoever adds such rows looks at the result again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sequencer.motion.interior import NoConvergenceError, solve
from sequencer.motion.model import Mode, Shaping, TrackSpec
from sequencer.motion.problem import JointProblem, SpanRows, TrackProblem
from sequencer.motion.ringing import LIMIT_RAD, Path, band, direct_path, linked_paths, residual_rad
from sequencer.motion.round import round_points
from sequencer.motion.shaper import Wanted, lateness_knots, rounded_share, shaped, shortest
from sequencer.motion.spline import Floats, extend

if TYPE_CHECKING:
    from sequencer.motion.linked import Linkage
    from sequencer.motion.plan import Solver

#: Share of the limit that taps are made for; the rest is for rounding and for moves that add up.
AIM = 0.8
#: How often taps are made again, for less, when more rings on than they were made for.
TRIES = 3
#: Points this near to an integer round to it, and so do their averages.
SAME_LSB = 0.25
#: A scene shorter than this many knots has no room for anything.
FEWEST_SPANS = 4


@dataclass(frozen=True)
class Stilled:
    """Integer points of each track, the problem's objective of what was rounded (LSB^2 spans), iterations.

    ``shaping`` has an entry for each track, None where nothing was done.
    """

    points: tuple[NDArray[np.int64], ...]
    objective: float
    iterations: int
    shaping: tuple[Shaping | None, ...]


def paths_of(
    tracks: Sequence[TrackSpec], points: Sequence[NDArray[np.int64]], loop: bool, linkage: Linkage | None
) -> tuple[Path, ...]:
    """How the axes of these tracks move while they play ``points`` (as in a plan), in the tracks' order."""
    extended = [extend(each, loop).astype(np.float64) for each in points]
    if linkage is None:
        return tuple(direct_path(spec, each, loop) for spec, each in zip(tracks, extended, strict=True))
    fastest = max((float(band(spec.mode)[-1]) for spec in tracks if spec.mode is not None), default=0.0)
    return linked_paths(linkage, tracks, extended, loop, fastest)


def ringing_rad(
    tracks: Sequence[TrackSpec], points: Sequence[NDArray[np.int64]], loop: bool, linkage: Linkage | None
) -> tuple[float, ...]:
    """The most that each axis rings on after a move, rad; 0 where its mode or the way to it is not known."""
    if all(spec.mode is None for spec in tracks) or (linkage is None and len(tracks) > 1):
        return (0.0,) * len(tracks)
    paths = paths_of(tracks, points, loop, linkage)
    return tuple(
        0.0 if spec.mode is None else residual_rad(path, spec.mode)
        for spec, path in zip(tracks, paths, strict=True)
    )


def solve_still(
    problem: TrackProblem | JointProblem,
    tracks: Sequence[TrackSpec],
    linkage: Linkage | None = None,
    solver: Solver = solve,
) -> Stilled:
    """The optimal integer points of ``problem``, shaped where a move would leave an axis ringing.

    ``linkage`` maps the tracks' angles to axes, None for a track that has its axis' angle. Where taps
    cannot help, or the scene has no room for them, the points are the unshaped ones.
    Raises :class:`.interior.NoConvergenceError` as :func:`.interior.solve`.
    """
    solution = solver(problem)
    count, loop = len(tracks), problem.loop

    def rounded(extended: Floats) -> tuple[NDArray[np.int64], ...]:
        inner = extended[: -3 * count] if loop else extended
        return tuple(round_points(inner[track::count]) for track in range(count))

    best = Stilled(rounded(solution.extended), solution.objective, solution.iterations, (None,) * count)
    before = ringing_rad(tracks, best.points, loop, linkage)
    least = max(before)
    aims = [AIM] * count
    for _ in range(TRIES):
        if least <= LIMIT_RAD:
            break
        taps = _taps(tracks, before, aims)
        if taps is None:
            break
        late = len(taps) - 1
        unshaped = solution.extended
        if not loop and not _ends_early(problem, unshaped, late):
            try:
                unshaped = solve(shorter(problem, late)).extended
            except (NoConvergenceError, NoRoomError):
                break
        advance = round(lateness_knots(taps)) if loop else 0
        columns = [shaped(unshaped[track::count], taps, loop, advance) for track in range(count)]
        extended = np.stack(columns, axis=1).ravel()[: len(solution.extended)]
        points = rounded(extended)
        after = ringing_rad(tracks, points, loop, linkage)
        if max(after) < least:
            least = max(after)
            late_s = (lateness_knots(taps) - advance) * tracks[0].knot_s
            shaping = tuple(Shaping(taps, late_s, rang) for rang in before)
            best = Stilled(points, problem.objective(extended), solution.iterations, shaping)
        aims = [
            aim * min(1.0, AIM * LIMIT_RAD / max(rang, 1e-12)) for aim, rang in zip(aims, after, strict=True)
        ]
    return best


def _taps(
    tracks: Sequence[TrackSpec], before: Sequence[float], aims: Sequence[float]
) -> tuple[float, ...] | None:
    wanted: list[tuple[Mode, float]] = []
    for spec, rang, aim in zip(tracks, before, aims, strict=True):
        if spec.mode is not None and rang > aim * LIMIT_RAD:
            wanted.append((spec.mode, rounded_share(aim * LIMIT_RAD / rang)))
    return shortest(tuple(Wanted(mode, share) for mode, share in wanted), tracks[0].knot_s)


def _ends_early(problem: TrackProblem | JointProblem, extended: Floats, knots: int) -> bool:
    """Whether the motion stands at its end, up to rounding, ``knots`` early, and nothing must land."""
    if problem.rows is not None and np.isfinite(problem.rows.price).any():
        return False
    count = len(problem.parts)
    last = extended[-(knots + 3) * count :].reshape(-1, count)
    return bool((np.abs(last - last[-1]) < SAME_LSB).all())


class NoRoomError(Exception):
    """A scene is too short to be solved on a shorter horizon."""


def shorter(problem: TrackProblem | JointProblem, knots: int) -> TrackProblem | JointProblem:
    """``problem``, between fixed ends, without its last ``knots`` spans; what must land does so that earlier.

    Raises :class:`NoRoomError` when too little is left.
    """
    spans = problem.spans - knots
    if spans < FEWEST_SPANS:
        raise NoRoomError
    rows = None if problem.rows is None else _earlier(problem.rows, knots, spans)
    if isinstance(problem, JointProblem):
        parts = tuple(_cut(part, spans) for part in problem.parts)
        return replace(problem, parts=parts, weight=problem.weight[: spans * parts[0].steps], rows=rows)
    return replace(_cut(problem, spans), rows=rows)


def _cut(part: TrackProblem, spans: int) -> TrackProblem:
    samples = spans * part.steps
    weight = None if part.weight is None else part.weight[:samples]
    return replace(part, wish=part.wish[: samples + 1], weight=weight, rows=None)


def _earlier(rows: SpanRows, knots: int, spans: int) -> SpanRows:
    span = np.where(np.isfinite(rows.price), np.maximum(rows.span - knots, 0), rows.span)
    order = np.argsort(span, kind="stable")
    order = order[span[order] < spans]
    return SpanRows(
        span[order], rows.coefficients[order], rows.low[order], rows.high[order], rows.price[order]
    )
