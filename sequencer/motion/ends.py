"""How free points sit among the extended ones, and the banded linear solves that follow.

Between fixed ends the reduced matrix is the inner block of the extended one: seven diagonals. In a
loop it also has corners; its last three points are a border, removed by their Schur complement.
Loops of a few spans, where corners overlap, are solved densely. All are exact.
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
        """Factor the reduced matrix given by lower bands (4, K + 3) over the extended points."""

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

    def __init__(self, spans: int) -> None:
        self._free = slice(3, spans)
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
    """A loop of at least :data:`SHORTEST_BORDERED` spans: border of three, Schur complement."""

    def __init__(self, spans: int) -> None:
        self._spans = spans
        self._coupling = np.zeros((spans - 3, 3), order="F")
        self._factor: Floats
        self._eliminated: Floats
        self._schur: Floats

    def spread(self, x: Floats, extended: Floats) -> None:
        """The points, then the first three again."""
        extended[: self._spans] = x
        extended[self._spans :] = x[:3]

    def gather(self, extended: Floats) -> Floats:
        """Contributions of the repeated points go to the first three."""
        total = extended[: self._spans].copy()
        total[:3] += extended[self._spans :]
        return total

    def factor(self, bands: Floats) -> None:
        """Factor the band of the first K - 3 points and the 3 x 3 complement of the rest."""
        spans, inner = self._spans, self._spans - 3
        folded = bands[:, :spans].copy()
        corner = np.zeros((3, 3))
        for offset in range(4):
            for j in range(3 - offset):
                folded[offset, j] += bands[offset, spans + j]
        coupling = self._coupling
        for c in range(3):
            column = inner + c
            for offset in range(4):
                row = column - offset
                if row >= inner:
                    corner[row - inner, c] = corner[c, row - inner] = folded[offset, row]
                else:
                    coupling[row, c] = folded[offset, row]
                if column + offset >= spans:
                    coupling[column + offset - spans, c] = folded[offset, column]
        self._factor = _cholesky(folded[:, :inner])
        self._eliminated = _band_solve(self._factor, coupling)
        self._schur, info = dpotrf(corner - coupling.T @ self._eliminated, lower=1)
        if info != 0:
            raise NotPositiveError

    def solve(self, right: Floats) -> Floats:
        """Solve for the border first, then back-substitute."""
        inner = self._spans - 3
        first = _band_solve(self._factor, right[:inner])
        border, _info = dpotrs(self._schur, right[inner:] - self._coupling.T @ first, lower=1)
        return np.concatenate([first - self._eliminated @ border, border])


class ShortLoop:
    """A loop of one to seven spans, where a point may meet itself: a small dense matrix."""

    def __init__(self, spans: int) -> None:
        self._spans = spans
        self._where = np.arange(spans + 3) % spans
        self._factor: Floats

    def spread(self, x: Floats, extended: Floats) -> None:
        """Wrapped places."""
        extended[:] = x[self._where]

    def gather(self, extended: Floats) -> Floats:
        """Contributions of repeated points are summed."""
        return np.bincount(self._where, weights=extended, minlength=self._spans).astype(np.float64)

    def factor(self, bands: Floats) -> None:
        """Fold the extended matrix and factor it."""
        size = self._spans + 3
        full = np.zeros((size, size))
        for offset in range(4):
            j = np.arange(size - offset)
            full[j + offset, j] = full[j, j + offset] = bands[offset, : size - offset]
        folding = np.zeros((size, self._spans))
        folding[np.arange(size), self._where] = 1.0
        self._factor, info = dpotrf(folding.T @ full @ folding, lower=1)
        if info != 0:
            raise NotPositiveError

    def solve(self, right: Floats) -> Floats:
        """Dense triangular solves."""
        solution, _info = dpotrs(self._factor, right, lower=1)
        result: Floats = solution
        return result


def ends_of(spans: int, loop: bool) -> Ends:
    """The layout that fits."""
    if not loop:
        return FixedEnds(spans)
    return Wrapped(spans) if spans >= SHORTEST_BORDERED else ShortLoop(spans)
