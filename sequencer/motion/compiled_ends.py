"""Solves with the free points of a problem, compiled: fixed ends or a loop (compare :mod:`.ends`)."""

from __future__ import annotations

import numpy as np

from sequencer.motion.compiled_band import factor, jit, solve_factored


@jit
def factor_ends(columns, points, loop, per_point, coupling, eliminated, schur):
    """Factor in place; whether all pivots are positive.

    In a loop the last three points are a border: ``coupling`` (flat, 3 * tracks numbers a row) gets their
    entries against the others, ``eliminated`` the solves with these, ``schur`` the complement's Cholesky.
    """
    tracks = len(per_point)
    size, border = 4 * tracks, 3 * tracks
    if not loop:
        return factor(columns, border, points - border, per_point)
    inner = points - border
    for i in range(border):
        for o in range(border - i):
            columns[i * size + o] += columns[(points + i) * size + o]
    for c in range(border):
        column = inner + c
        for o in range(size):
            row = column - o
            if row >= inner:
                schur[row - inner, c] = schur[c, row - inner] = columns[row * size + o]
            else:
                coupling[row * border + c] = columns[row * size + o]
            if points <= column + o < points + border:
                coupling[(column + o - points) * border + c] = columns[column * size + o]
    if not factor(columns, 0, inner, per_point):
        return False
    for i in range(len(coupling)):
        eliminated[i] = coupling[i]
    wide = per_point + per_point + per_point
    solve_factored(columns, 0, inner, per_point, eliminated, wide)
    for row in range(inner):
        if border <= row < inner - size:
            continue
        for c in range(border):
            for d in range(border):
                schur[c, d] -= coupling[row * border + c] * eliminated[row * border + d]
    for c in range(border):
        for d in range(c):
            schur[c, c] -= schur[c, d] * schur[c, d]
        if not schur[c, c] > 0.0:
            return False
        schur[c, c] = np.sqrt(schur[c, c])
        for e in range(c + 1, border):
            for d in range(c):
                schur[e, c] -= schur[e, d] * schur[c, d]
            schur[e, c] /= schur[c, c]
    return True


@jit
def solve_ends(columns, points, loop, per_point, coupling, eliminated, schur, x):
    """Solve for the free points in place: ``x`` is a right side over the extended points.

    Fixed points become 0, those repeated in a loop their first value.
    """
    tracks = len(per_point)
    size, border = 4 * tracks, 3 * tracks
    one = (1.0,)
    if not loop:
        x[:border] = 0.0
        x[points:] = 0.0
        solve_factored(columns, border, points - border, per_point, x, one)
        return
    for i in range(border):
        x[i] += x[points + i]
    inner = points - border
    solve_factored(columns, 0, inner, per_point, x, one)
    for row in range(inner):
        if border <= row < inner - size:
            continue
        for c in range(border):
            x[inner + c] -= coupling[row * border + c] * x[row]
    for c in range(border):
        for d in range(c):
            x[inner + c] -= schur[c, d] * x[inner + d]
        x[inner + c] /= schur[c, c]
    for c in range(border - 1, -1, -1):
        for d in range(c + 1, border):
            x[inner + c] -= schur[d, c] * x[inner + d]
        x[inner + c] /= schur[c, c]
    for row in range(inner):
        for c in range(border):
            x[row] -= eliminated[row * border + c] * x[inner + c]
    for i in range(border):
        x[points + i] = x[i]
