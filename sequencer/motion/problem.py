"""The quadratic programme of one track, in LSB, as data.

Minimise over the control points the integral of (spline - wish)^2 (plus, if wanted, a little squared
jerk), with every point in a box and every difference D1, D2, D3 within a symmetric bound. Points
that are fixed at the ends, or wrapped in a loop, take part in every difference that touches them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sequencer.motion.spline import Floats, gram_bands, moments, squared_integral

#: Coefficients of the m-th difference, oldest point first.
DIFFERENCES = (
    np.array([1.0]),
    np.array([-1.0, 1.0]),
    np.array([1.0, -2.0, 1.0]),
    np.array([-1.0, 3.0, -3.0, 1.0]),
)


@dataclass(frozen=True)
class TrackProblem:
    """One track's problem in LSB.

    ``wish`` holds ``spans * steps + 1`` samples, linear between them. ``low``/``high`` bound the
    points; ``bounds`` the absolute D1, D2, D3 (already tightened). ``head`` and ``tail`` are the three
    fixed points at either end; both None means a loop. ``jerk_weight`` times the mean squared D3
    (LSB^2) is added to the mean squared error.
    """

    wish: Floats
    steps: int
    low: float
    high: float
    bounds: tuple[float, float, float]
    head: tuple[float, float, float] | None = None
    tail: tuple[float, float, float] | None = None
    jerk_weight: float = 0.0

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
        bands = gram_bands(self.spans)
        if self.jerk_weight:
            row = DIFFERENCES[3]
            for offset in range(4):
                for j in range(4 - offset):
                    bands[offset, j : j + self.spans] += self.jerk_weight * row[j] * row[j + offset]
        return bands

    @cached_property
    def centred_moments(self) -> Floats:
        """Moments of (wish - middle) against the extended basis, shape (K + 3,)."""
        return moments(self.wish - self.middle, self.steps)

    @cached_property
    def centred_square(self) -> float:
        """Integral of (wish - middle)^2 in units of spans."""
        return squared_integral(self.wish - self.middle, self.steps)

    def objective(self, extended: Floats) -> float:
        """Integral of the squared error in LSB^2 spans for K + 3 extended points."""
        e = extended - self.middle
        value = float(self.gram[0] @ (e * e)) - 2.0 * float(self.centred_moments @ e) + self.centred_square
        for offset in range(1, 4):
            value += 2.0 * float(self.gram[offset, :-offset] @ (e[:-offset] * e[offset:]))
        return max(value, 0.0)
