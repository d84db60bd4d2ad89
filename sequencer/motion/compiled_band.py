"""Banded LDL' from both ends at once, compiled (see :mod:`.compiled`).

``columns`` is a flat array of 4 * tracks numbers a column: entry o of column i is that of row i + o. The
first and the last columns are eliminated towards a separator of three or four points in the middle: two
chains of operations that do not wait for each other. A column eliminated from below keeps its multipliers
where its entries were, in the columns before it. Diagonals become their reciprocals.
"""

from __future__ import annotations

from typing import Any

from numba import njit

#: How all of it is compiled: kept on disk, without the interpreter's lock; sums may be taken in any order.
jit: Any = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz"})


@jit
def halves(count, per_point):
    """How many of ``count`` unknowns are eliminated from either end."""
    points = count // len(per_point)
    return (points - 3) // 2 * len(per_point)


@jit
def factor(columns, base, count, per_point):
    """Factor ``count`` columns from ``base`` on in place; whether all pivots are positive."""
    size = 4 * len(per_point)
    half = halves(count, per_point)
    for k in range(half):
        column = (base + k) * size
        pivot = columns[column]
        other = base + count - 1 - k
        far_pivot = columns[other * size]
        if not (pivot > 0.0 and far_pivot > 0.0):
            return False
        pivot = 1.0 / pivot
        far_pivot = 1.0 / far_pivot
        for o in range(1, size):
            share = columns[column + o] * pivot
            far_share = columns[(other - o) * size + o] * far_pivot
            for p in range(o, size):
                columns[column + o * size + p - o] -= share * columns[column + p]
                columns[(other - p) * size + p - o] -= far_share * columns[(other - p) * size + p]
        columns[column] = pivot
        columns[other * size] = far_pivot
        for o in range(1, size):
            columns[column + o] *= pivot
            columns[(other - o) * size + o] *= far_pivot
    for i in range(base + half, base + count - half):
        column = i * size
        pivot = columns[column]
        if not pivot > 0.0:
            return False
        pivot = 1.0 / pivot
        stop = min(size, base + count - half - i)
        for o in range(1, stop):
            share = columns[column + o] * pivot
            for p in range(o, stop):
                columns[column + o * size + p - o] -= share * columns[column + p]
        columns[column] = pivot
        for o in range(1, stop):
            columns[column + o] *= pivot
    return True


@jit
def solve_factored(columns, base, count, per_point, x, per_right):
    """Solve in place for ``len(per_right)`` right sides; value r of unknown i is x[i * that + r]."""
    size = 4 * len(per_point)
    width = len(per_right)
    half = halves(count, per_point)
    first, last = base + half, base + count - half
    for k in range(half):
        i, j = base + k, base + count - 1 - k
        for o in range(1, size):
            share, far_share = columns[i * size + o], columns[(j - o) * size + o]
            for r in range(width):
                x[(i + o) * width + r] -= share * x[i * width + r]
                x[(j - o) * width + r] -= far_share * x[j * width + r]
    for i in range(first, last):
        for o in range(1, min(size, last - i)):
            for r in range(width):
                x[(i + o) * width + r] -= columns[i * size + o] * x[i * width + r]
    for i in range(last - 1, first - 1, -1):
        for r in range(width):
            x[i * width + r] *= columns[i * size]
        for o in range(1, min(size, last - i)):
            for r in range(width):
                x[i * width + r] -= columns[i * size + o] * x[(i + o) * width + r]
    for k in range(half - 1, -1, -1):
        i, j = base + k, base + count - 1 - k
        for r in range(width):
            value = x[i * width + r] * columns[i * size]
            far_value = x[j * width + r] * columns[j * size]
            for o in range(size - 1, 0, -1):
                value -= columns[i * size + o] * x[(i + o) * width + r]
                far_value -= columns[(j - o) * size + o] * x[(j - o) * width + r]
            x[i * width + r] = value
            x[j * width + r] = far_value
