"""How free points sit among the extended ones, and the banded linear solves that follow.

Tracks solved together are interleaved: value j * tracks + i is point j of track i. Between fixed ends
the reduced matrix is the inner block of the extended one: 8 * tracks - 1 diagonals. In a loop it also
has corners; the last three points of each track are a border, removed by their Schur complement. Loops
of a few spans, where corners overlap, are solved densely. All are exact.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from scipy.linalg.lapack import dpbtrf, dpbtrs, dpotrf, dpotrs

from sequencer.motion.spline import Floats

#: Loops shorter than this are solved densely.
SHORTEST_BORDERED = 8


class NotPositiveError(Exception):
    """A factorisation met a pivot that is not positive (the problem is out of numerical reach)."""


class Ends(Protocol):
    """Free points x <-> extended points e, and solves with the reduced matrix."""

    def spread(self, x: Floats, extended: Floats) -> None:
        """Write x into its places of ``extended``; fixed places stay as they are."""

    def gather(self, extended: Floats) -> Floats:
        """The transpose of :meth:`spread`: a gradient over extended points as one over x."""

    def factor(self, bands: Floats) -> None:
        """Factor the reduced matrix given by its lower bands over the extended points."""

    def solve(self, right: Floats) -> Floats:
        """Solve with the factored matrix."""


def _cholesky(bands: Floats) -> Floats:
    factor, info = dpbtrf(bands, lower=1)
    if info != 0:
        raise NotPositiveError
    result: Floats = factor
    return result


def _band_solve(factor: Floats, right: Floats) -> Floats:
    solution, _info = dpbtrs(factor, right, lower=1)
    result: Floats = solution
    return result


class FixedEnds:
    """Three fixed points at either end."""

    def __init__(self, spans: int, tracks: int) -> None:
        self._free = slice(3 * tracks, spans * tracks)
        self._factor: Floats

    def spread(self, x: Floats, extended: Floats) -> None:
        """Inner places only."""
        extended[self._free] = x

    def gather(self, extended: Floats) -> Floats:
        """Inner places only."""
        return extended[self._free]

    def factor(self, bands: Floats) -> None:
        """Cholesky factor of the inner block."""
        self._factor = _cholesky(bands[:, self._free])

    def solve(self, right: Floats) -> Floats:
        """Two banded triangular solves."""
        return _band_solve(self._factor, right)


class Wrapped:
    """A loop of at least :data:`SHORTEST_BORDERED` spans: border of three points, Schur complement."""

    def __init__(self, spans: int, tracks: int) -> None:
        self._size = spans * tracks
        self._border = 3 * tracks
        self._coupling = np.zeros((self._size - self._border, self._border), order="F")
        self._factor: Floats
        self._eliminated: Floats
        self._schur: Floats

    def spread(self, x: Floats, extended: Floats) -> None:
        """The points, then the first three again."""
        extended[: self._size] = x
        extended[self._size :] = x[: self._border]

    def gather(self, extended: Floats) -> Floats:
        """Contributions of the repeated points go to the first three."""
        total = extended[: self._size].copy()
        total[: self._border] += extended[self._size :]
        return total

    def factor(self, bands: Floats) -> None:
        """Factor the band of all but the last three points and the complement of these."""
        size, border = self._size, self._border
        inner = size - border
        folded = bands[:, :size].copy()
        corner = np.zeros((border, border))
        for offset in range(border):
            folded[offset, : border - offset] += bands[offset, size : size + border - offset]
        coupling = self._coupling
        for c in range(border):
            column = inner + c
            for offset in range(len(bands)):
                row = column - offset
                if row >= inner:
                    corner[row - inner, c] = corner[c, row - inner] = folded[offset, row]
                else:
                    coupling[row, c] = folded[offset, row]
                if size <= column + offset < size + border:
                    coupling[column + offset - size, c] = folded[offset, column]
        self._factor = _cholesky(folded[:, :inner])
        self._eliminated = _band_solve(self._factor, coupling)
        self._schur, info = dpotrf(corner - coupling.T @ self._eliminated, lower=1)
        if info != 0:
            raise NotPositiveError

    def solve(self, right: Floats) -> Floats:
        """Solve for the border first, then back-substitute."""
        inner = self._size - self._border
        first = _band_solve(self._factor, right[:inner])
        border, _info = dpotrs(self._schur, right[inner:] - self._coupling.T @ first, lower=1)
        return np.concatenate([first - self._eliminated @ border, border])


class ShortLoop:
    """A loop of one to seven spans, where a point may meet itself: a small dense matrix."""

    def __init__(self, spans: int, tracks: int) -> None:
        self._size = spans * tracks
        self._where = np.arange((spans + 3) * tracks) % self._size
        self._factor: Floats

    def spread(self, x: Floats, extended: Floats) -> None:
        """Wrapped places."""
        extended[:] = x[self._where]

    def gather(self, extended: Floats) -> Floats:
        """Contributions of repeated points are summed."""
        return np.bincount(self._where, weights=extended, minlength=self._size).astype(np.float64)

    def factor(self, bands: Floats) -> None:
        """Fold the extended matrix and factor it."""
        size = len(self._where)
        full = np.zeros((size, size))
        for offset in range(min(len(bands), size)):
            j = np.arange(size - offset)
            full[j + offset, j] = full[j, j + offset] = bands[offset, : size - offset]
        folding = np.zeros((size, self._size))
        folding[np.arange(size), self._where] = 1.0
        self._factor, info = dpotrf(folding.T @ full @ folding, lower=1)
        if info != 0:
            raise NotPositiveError

    def solve(self, right: Floats) -> Floats:
        """Dense triangular solves."""
        solution, _info = dpotrs(self._factor, right, lower=1)
        result: Floats = solution
        return result


def ends_of(spans: int, loop: bool, tracks: int = 1) -> Ends:
    """The layout that fits."""
    if not loop:
        return FixedEnds(spans, tracks)
    return Wrapped(spans, tracks) if spans >= SHORTEST_BORDERED else ShortLoop(spans, tracks)
