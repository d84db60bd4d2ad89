"""The quadratic programme of one track, or of the two of a pair, in LSB, as data.

Minimise over the control points the integral of (spline - wish)^2 (plus, if wanted, a little squared
jerk), with every point in a box and every difference D1, D2, D3 within a symmetric bound. Points
that are fixed at the ends, or wrapped in a loop, take part in every difference that touches them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sequencer.motion.spline import Floats, gram_bands, moments, squared_integral
from sequencer.motion.weighted import (
    smallest_eigenvalue,
    weighted_gram,
    weighted_moments,
    weighted_square,
)

#: Coefficients of the m-th difference, oldest point first.
DIFFERENCES = (
    np.array([1.0]),
    np.array([-1.0, 1.0]),
    np.array([1.0, -2.0, 1.0]),
    np.array([-1.0, 3.0, -3.0, 1.0]),
)


@dataclass(frozen=True)
class Face:
    """One side of a pair's polygon, for every pair of points: a * c1 + b * c2 <= limit, in LSB."""

    a: float
    b: float
    limit: float

    def centred(self, one: TrackProblem, other: TrackProblem) -> tuple[float, float, float]:
        """(a, b, offset) of the row y = a e1 + b e2 - offset in [-1, 1], e measured from the middles.

        Raises ValueError when nothing of the box is left.
        """
        reach = abs(self.a) * one.half_range + abs(self.b) * other.half_range
        room = self.limit - self.a * one.middle - self.b * other.middle
        half = 0.5 * (min(room, 2.0 * reach) + reach)
        if half <= 0.0:
            raise ValueError("a face leaves nothing of the box")
        return self.a / half, self.b / half, (min(room, 2.0 * reach) - reach) / (2.0 * half)


@dataclass(frozen=True)
class SpanRows:
    """Further limits, each on the four points of one span of every track: low <= row . points <= high, LSB.

    ``span`` (m,) ascending, 0..K - 1; ``coefficients`` (m, 4 * tracks): entry i * tracks + t multiplies
    point span + i of track t. ``low`` and ``high`` (m,), one of them may be infinite. ``price`` (m,) is
    infinite for a hard limit, otherwise what each unit beyond it costs in the objective (LSB^2 spans a
    unit of the row): an L1 penalty.
    """

    span: NDArray[np.int64]
    coefficients: Floats
    low: Floats
    high: Floats
    price: Floats


class Problem(Protocol):
    """What the solver needs of a problem: one or several tracks that share knots and ends.

    Vectors over the extended points are interleaved: value j * tracks + i is point j of track i.
    """

    @property
    def parts(self) -> Sequence[TrackProblem]:
        """Each track's box and bounds."""

    @property
    def faces(self) -> Sequence[Face]:
        """The polygon of a pair."""

    @property
    def rows(self) -> SpanRows | None:
        """Further limits."""

    @property
    def spans(self) -> int:
        """Number of knot spans K."""

    @property
    def loop(self) -> bool:
        """Whether the points wrap around."""

    @property
    def gram(self) -> Floats:
        """Quadratic form over the extended points in units of spans; lower bands."""

    @property
    def centred_moments(self) -> Floats:
        """Moments of the wish, measured from the middles."""

    @property
    def centred_square(self) -> float:
        """The objective of standing in the middles."""

    @property
    def convexity(self) -> float:
        """Least eigenvalue of the weight at any time (1 without weights)."""

    def objective(self, extended: Floats) -> float:
        """The weighted integral of the squared error in LSB^2 spans."""


def gram_times(bands: Floats, vector: Floats) -> Floats:
    """The symmetric matrix of lower ``bands`` times ``vector``."""
    product: Floats = bands[0] * vector
    for offset in range(1, len(bands)):
        band = bands[offset, :-offset]
        product[offset:] += band * vector[:-offset]
        product[:-offset] += band * vector[offset:]
    return product


@dataclass(frozen=True)
class TrackProblem:
    """One track's problem in LSB.

    ``wish`` holds ``spans * steps + 1`` samples, linear between them. ``low``/``high`` bound the
    points; ``bounds`` the absolute D1, D2, D3 (already tightened). ``head`` and ``tail`` are the three
    fixed points at either end; both None means a loop. ``jerk_weight`` times the mean squared D3
    (LSB^2) is added to the mean squared error. ``weight`` (spans * steps,) weighs the squared error of
    each grid interval, None weighs all with 1.
    """

    wish: Floats
    steps: int
    low: float
    high: float
    bounds: tuple[float, float, float]
    head: tuple[float, float, float] | None = None
    tail: tuple[float, float, float] | None = None
    jerk_weight: float = 0.0
    weight: Floats | None = None
    rows: SpanRows | None = None

    @property
    def parts(self) -> tuple[TrackProblem, ...]:
        """This track alone."""
        return (self,)

    @property
    def faces(self) -> tuple[Face, ...]:
        """A box needs none."""
        return ()

    @cached_property
    def convexity(self) -> float:
        """The least weight."""
        return 1.0 if self.weight is None else float(self.weight.min())

    @property
    def loop(self) -> bool:
        """Whether the points wrap around."""
        return self.head is None

    @property
    def spans(self) -> int:
        """Number of knot spans K."""
        return (len(self.wish) - 1) // self.steps

    @property
    def unknowns(self) -> int:
        """Free points: K in a loop, K - 3 between fixed ends (may be zero)."""
        return self.spans if self.loop else max(0, self.spans - 3)

    def first_row(self, order: int) -> int:
        """First row of D^order that touches a free point; rows run from here to K - 1."""
        return 0 if self.loop else 3 - order

    @cached_property
    def middle(self) -> float:
        """Centre of the box; the solver measures points from here."""
        return 0.5 * (self.low + self.high)

    @cached_property
    def half_range(self) -> float:
        """Half the width of the box."""
        return 0.5 * (self.high - self.low)

    @cached_property
    def gram(self) -> Floats:
        """Quadratic form over the extended points in units of spans; lower bands (4, K + 3)."""
        if self.weight is None:
            bands = gram_bands(self.spans)
        else:
            bands = weighted_gram(self.weight[:, None, None], self.steps)
        if self.jerk_weight:
            row = DIFFERENCES[3]
            for offset in range(4):
                for j in range(4 - offset):
                    bands[offset, j : j + self.spans] += self.jerk_weight * row[j] * row[j + offset]
        return bands

    @cached_property
    def _centred_wish(self) -> Floats:
        return self.wish - self.middle

    @cached_property
    def centred_moments(self) -> Floats:
        """Moments of (wish - middle) against the extended basis, shape (K + 3,)."""
        wish = self._centred_wish
        if self.weight is None:
            return moments(wish, self.steps)
        return weighted_moments(wish[:, None], self.weight[:, None, None], self.steps)

    @cached_property
    def centred_square(self) -> float:
        """Integral of (wish - middle)^2 in units of spans."""
        wish = self._centred_wish
        if self.weight is None:
            return squared_integral(wish, self.steps)
        return weighted_square(wish[:, None], self.weight[:, None, None], self.steps)

    def objective(self, extended: Floats) -> float:
        """Integral of the squared error in LSB^2 spans for K + 3 extended points."""
        return _objective(self, extended - self.middle)


@dataclass(frozen=True)
class JointProblem:
    """Two or more tracks that share knots and ends, weighed together.

    ``weight`` (spans * steps, tracks, tracks) is the symmetric positive weight of each grid interval: the
    objective is the integral of e' W e, e the errors of the tracks. ``faces`` bind the first two tracks.
    The parts' own weights are not used.
    """

    parts: tuple[TrackProblem, ...]
    weight: Floats
    faces: tuple[Face, ...] = ()
    rows: SpanRows | None = None

    @property
    def loop(self) -> bool:
        """Whether the points wrap around."""
        return self.parts[0].loop

    @property
    def spans(self) -> int:
        """Number of knot spans K."""
        return self.parts[0].spans

    @property
    def _steps(self) -> int:
        return self.parts[0].steps

    @cached_property
    def middles(self) -> Floats:
        """Every track's middle, interleaved over the extended points."""
        return np.tile([part.middle for part in self.parts], self.spans + 3)

    @cached_property
    def _centred_wish(self) -> Floats:
        return np.stack([part.wish - part.middle for part in self.parts], axis=1)

    @cached_property
    def convexity(self) -> float:
        """The least eigenvalue of any weight."""
        return smallest_eigenvalue(self.weight)

    @cached_property
    def gram(self) -> Floats:
        """Lower bands (4 tracks, (K + 3) tracks)."""
        return weighted_gram(self.weight, self._steps)

    @cached_property
    def centred_moments(self) -> Floats:
        """Moments of the weighted wish."""
        return weighted_moments(self._centred_wish, self.weight, self._steps)

    @cached_property
    def centred_square(self) -> float:
        """The objective of standing in the middles."""
        return weighted_square(self._centred_wish, self.weight, self._steps)

    def objective(self, extended: Floats) -> float:
        """The weighted integral for interleaved extended points."""
        return _objective(self, extended - self.middles)


def _objective(problem: Problem, centred: Floats) -> float:
    product = gram_times(problem.gram, centred) - 2.0 * problem.centred_moments
    return max(float(centred @ product) + problem.centred_square, 0.0)
