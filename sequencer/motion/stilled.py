"""A solved problem whose moves do not leave the figure ringing: shaped only where the measure says so.

The taps of :mod:`.shaper` delay a motion by up to their length. So that a scene still ends at rest in time,
its problem is solved again on a horizon that much shorter, for a wish taken ahead; a loop is filtered round.
What must land (priced rows of a problem) is asked of each shift of the unshaped motion, so that their average
lands too.
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
from sequencer.motion.lead import ahead
from sequencer.motion.model import Shaping, TrackSpec
from sequencer.motion.problem import JointProblem, SpanRows, TrackProblem
from sequencer.motion.ringing import LIMIT_RAD, Path, band, direct_path, linked_paths, residual_rad
from sequencer.motion.round import round_points
from sequencer.motion.shaper import LEAST_TAP, Wanted, lateness_knots, rounded_share, shaped, shortest
from sequencer.motion.spline import Floats, extend
from sequencer.timeline.model import GRID_S

if TYPE_CHECKING:
    from sequencer.motion.linked import Linkage
    from sequencer.motion.plan import Solver

#: Share of the limit that taps are made for; the rest is for rounding and for moves that add up.
AIM = 0.8
#: How often taps are made again, for less, when more rings on than they were made for.
TRIES = 8
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

    first = rounded(solution.extended)
    best = Stilled(first, solution.objective, solution.iterations, (None,) * count)
    before = raw = ringing_rad(tracks, first, loop, linkage)
    least, aim = max(before), AIM
    taps: tuple[float, ...] | None = None
    for _ in range(TRIES):
        if least <= LIMIT_RAD:
            break
        made = taps
        taps = _taps(tracks, raw, aim)
        if taps is None:
            break
        if taps == made:  # what is to be filtered rings less by itself, and the same share is not enough
            aim *= AIM
            continue
        try:
            unshaped = solve(sooner(problem, taps)).extended
        except (NoConvergenceError, NoRoomError):
            break
        columns = [shaped(unshaped[track::count], taps, loop) for track in range(count)]
        extended = np.stack(columns, axis=1).ravel()
        points = rounded(extended)
        after = ringing_rad(tracks, points, loop, linkage)
        if max(after) < least:
            least = max(after)
            late = (_late_knots(one, two) for one, two in zip(first, points, strict=True))
            shaping = tuple(
                Shaping(taps, knots * tracks[0].knot_s, rang)
                for knots, rang in zip(late, before, strict=True)
            )
            best = Stilled(points, problem.objective(extended), solution.iterations, shaping)
        raw = ringing_rad(tracks, rounded(unshaped), loop, linkage)
        # Nothing may ring on at all after the shaped motion.
        aim *= AIM * LIMIT_RAD / max(AIM * LIMIT_RAD, *after)
    return best


def _taps(tracks: Sequence[TrackSpec], raw: Sequence[float], aim: float) -> tuple[float, ...] | None:
    """Taps for what rings more than the share ``aim`` of the limit; None when there are none."""
    wanted = tuple(
        Wanted(spec.mode, rounded_share(aim * LIMIT_RAD / rang))
        for spec, rang in zip(tracks, raw, strict=True)
        if spec.mode is not None and rang > aim * LIMIT_RAD
    )
    return shortest(wanted, tracks[0].knot_s) if wanted else None


def _late_knots(first: NDArray[np.int64], points: NDArray[np.int64]) -> float:
    """How far ``points`` run behind ``first`` where they move: the shift of least squares."""
    speed = np.gradient(first.astype(np.float64))
    square = float(speed @ speed)
    return float((first - points) @ speed) / square if square else 0.0


class NoRoomError(Exception):
    """A scene is too short to end as much earlier as taps delay it."""


def sooner(problem: TrackProblem | JointProblem, taps: tuple[float, ...]) -> TrackProblem | JointProblem:
    """``problem`` for the motion that ``taps`` will delay: its wish ahead (:mod:`.lead`), its end earlier.

    What must land does so earlier too. Raises :class:`NoRoomError` when nothing is left between the ends.
    """
    parts, loop = problem.parts, problem.loop
    spans = problem.spans if loop else problem.spans - len(taps) + 1
    if spans < FEWEST_SPANS:
        raise NoRoomError
    lead = lateness_knots(taps)
    steps = parts[0].steps
    taken = ahead([part.wish for part in parts], lead * steps * GRID_S, loop)[: spans * steps + 1]
    rows = None if problem.rows is None else _earlier(problem.rows, taps, spans, loop)
    if isinstance(problem, JointProblem):
        each = tuple(replace(part, wish=part.wish[taken]) for part in parts)
        return replace(problem, parts=each, weight=_weight(problem.weight, taken), rows=rows)
    weight = None if problem.weight is None else _weight(problem.weight, taken)
    return replace(problem, wish=problem.wish[taken], weight=weight, rows=rows)


def _weight(weight: Floats, taken: NDArray[np.int64]) -> Floats:
    return weight[np.minimum(taken[:-1], len(weight) - 1)]


def _earlier(rows: SpanRows, taps: tuple[float, ...], spans: int, loop: bool) -> SpanRows:
    """Priced rows asked of every shift that a tap averages, at the tap's share of the price."""
    priced = np.isfinite(rows.price)
    delays = [(knots, tap) for knots, tap in enumerate(taps) if tap > LEAST_TAP]
    which = np.concatenate([np.flatnonzero(~priced), np.repeat(np.flatnonzero(priced), len(delays))])
    knots = np.concatenate([np.zeros((~priced).sum()), np.tile([knots for knots, _ in delays], priced.sum())])
    share = np.concatenate([np.ones((~priced).sum()), np.tile([tap for _, tap in delays], priced.sum())])
    span = rows.span[which] - knots.astype(np.int64)
    span = span % spans if loop else np.maximum(span, 0)
    order = np.argsort(span, kind="stable")
    order = order[span[order] < spans]
    return SpanRows(
        span[order],
        rows.coefficients[which][order],
        rows.low[which][order],
        rows.high[which][order],
        (rows.price[which] * share)[order],
    )
