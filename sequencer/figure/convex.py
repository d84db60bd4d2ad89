"""Convex polygons in the plane: hulls, cuts, and the largest one inside a curve that is nearly convex.

Points are (n, 2) arrays, polygons counterclockwise. A half-plane is (a, b, limit): a x + b y <= limit,
with (a, b) of length 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.crank import Array

#: (a, b, limit) of a x + b y <= limit.
Half = tuple[float, float, float]
_DIRECTIONS = 180
_MOST_CUTS = 24


def hull(points: Array) -> Array:
    """The convex hull, counterclockwise, without points on its edges (Andrew's monotone chain)."""
    ordered = sorted({(float(x), float(y)) for x, y in points})
    if len(ordered) < 3:
        return np.array(ordered).reshape(-1, 2)

    def half(run: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        kept: list[tuple[float, float]] = []
        for point in run:
            while len(kept) > 1 and _cross(kept[-2], kept[-1], point) <= 0.0:
                kept.pop()
            kept.append(point)
        return kept[:-1]

    return np.array(half(ordered) + half(ordered[::-1])).reshape(-1, 2)


def _cross(o: Sequence[float], a: Sequence[float], b: Sequence[float]) -> float:
    return (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0])


def area(polygon: Array) -> float:
    """Area, 0 for fewer than three corners."""
    if len(polygon) < 3:
        return 0.0
    x, y = polygon[:, 0], polygon[:, 1]
    return float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2.0


def clip(polygon: Array, half: Half) -> Array:
    """What is left of a convex polygon in a half-plane; may be empty."""
    if len(polygon) == 0:
        return polygon
    a, b, limit = half
    slack = limit - polygon @ np.array([a, b])
    then, slack_then = np.roll(polygon, -1, axis=0), np.roll(slack, -1)
    crossed = np.flatnonzero(slack * slack_then < 0.0)
    share = slack[crossed] / (slack[crossed] - slack_then[crossed])
    cuts = polygon[crossed] + share[:, None] * (then[crossed] - polygon[crossed])
    inside = np.flatnonzero(slack >= 0.0)
    # Each cut comes after the corner at which its edge begins.
    order = np.argsort(np.concatenate([inside, crossed + 0.5]), kind="stable")
    left: Array = np.concatenate([polygon[inside], cuts])[order]
    return left


def halves(polygon: Array) -> tuple[Half, ...]:
    """The half-planes of a convex polygon's edges; edges of no length are left out."""
    along = np.roll(polygon, -1, axis=0) - polygon
    length = np.hypot(along[:, 0], along[:, 1])
    real = length > 1e-9
    a, b = along[real, 1] / length[real], -along[real, 0] / length[real]
    limit = a * polygon[real, 0] + b * polygon[real, 1]
    return tuple(zip(a.tolist(), b.tolist(), limit.tolist(), strict=True))


def slack(sides: Sequence[Half], points: Array) -> Array:
    """How deep points (n, 2) lie inside, (n,): the least distance to a side, negative outside."""
    table = np.array(sides)
    depth: Array = np.min(table[:, 2] - points @ table[:, :2].T, axis=1)
    return depth


def inside_curve(curve: Array, keep: Array, room: float) -> Array:
    """A large convex polygon that holds no point of a closed ``curve`` (n, 2) inside itself.

    It begins as the curve's hull; each run of the curve that dips into it is cut off by the line that
    costs the least area and leaves the points ``keep`` (m, 2) at least ``room`` inside. Empty when no
    such line exists.
    """
    polygon = hull(curve)
    for _ in range(_MOST_CUTS):
        if len(polygon) < 3:
            return polygon[:0]
        depth = slack(halves(polygon), curve)
        deepest = int(np.argmax(depth))
        if depth[deepest] <= 1e-6:
            return polygon
        polygon = _best_cut(polygon, curve[_run(depth > 1e-9, deepest)], keep, room)
    return polygon[:0]


def _run(dips: NDArray[np.bool_], start: int) -> NDArray[np.intp]:
    """Indices of the run of true values around ``start``, round the end of the curve."""
    count = len(dips)
    after = 0
    while after < count - 1 and dips[(start + after + 1) % count]:
        after += 1
    before = 0
    while before < count - 1 - after and dips[(start - before - 1) % count]:
        before += 1
    return np.arange(start - before, start + after + 1, dtype=np.intp) % count


def _best_cut(polygon: Array, run: Array, keep: Array, room: float) -> Array:
    turns = np.linspace(0.0, math.tau, _DIRECTIONS, endpoint=False)
    best, most = polygon[:0], 0.0
    for _ in range(2):  # coarse, then fine around the best
        chosen: float | None = None
        for turn in turns:
            a, b = math.cos(turn), math.sin(turn)
            limit = float(np.min(run @ np.array([a, b])))
            if np.max(keep @ np.array([a, b])) > limit - room:
                continue
            left = clip(polygon, (a, b, limit))
            if (size := area(left)) > most:
                best, most, chosen = left, size, float(turn)
        if chosen is None:
            break
        step = math.tau / _DIRECTIONS
        turns = np.linspace(chosen - step, chosen + step, 41)
    return best


def simpler(polygon: Array, corners: int, keep: Array, room: float) -> Array:
    """The polygon with at most ``corners`` corners: those that cost the least area are left out.

    A corner that is needed to leave the points ``keep`` (m, 2) ``room`` inside stays.
    """
    while len(polygon) > 3:
        before, after = np.roll(polygon, 1, axis=0), np.roll(polygon, -1, axis=0)
        one, two = polygon - before, after - polygon
        cost = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]) / 2.0
        few = len(polygon) <= corners
        for index in np.argsort(cost):
            if few and cost[index] > 1e-6 * area(polygon):
                return polygon
            rest = np.delete(polygon, index, axis=0)
            if float(np.min(slack(halves(rest), keep))) >= room:
                polygon = rest
                break
        else:
            return polygon
    return polygon
