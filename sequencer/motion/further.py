"""The further rows of a problem, normalised like its other limits, applied span by span.

A row that is wanted but not owed (a priced one) is softened in the solver; here it is a row like any
other. Rows that touch no free point, or cost nothing, are left out: they change nothing.
"""

from __future__ import annotations

import numpy as np

from sequencer.motion.problem import Problem
from sequencer.motion.spline import Floats

#: A row that leaves less room than this share of what the box allows it is normalised by that share.
NARROW = 1e-3


class Further:
    """|y| <= :attr:`limit` with y = coefficients . (points - middles) - :attr:`offset`; hard rows first.

    :attr:`which` (m,) gives each row's place in the problem's own list, :attr:`price` that of a unit of y in
    the problem's objective for those from :attr:`hard` on.
    """

    def __init__(self, problem: Problem) -> None:
        parts = problem.parts
        tracks = len(parts)
        assert problem.rows is not None
        rows = problem.rows
        point = rows.span[:, None] + np.arange(4)
        free = np.full(point.shape, True) if problem.loop else (point >= 3) & (point < problem.spans)
        touches = ((rows.coefficients != 0.0) & np.repeat(free, tracks, axis=1)).any(axis=1)
        touches &= rows.price > 0.0
        priced = np.isfinite(rows.price)
        self.which = np.concatenate([np.flatnonzero(touches & ~priced), np.flatnonzero(touches & priced)])
        self.hard = int((touches & ~priced).sum())
        self.tracks = tracks
        self.span = rows.span[self.which]
        own = rows.coefficients[self.which]
        middle = own @ np.tile([part.middle for part in parts], 4)
        reach = np.abs(own) @ np.tile([part.half_range for part in parts], 4)
        low, high = rows.low[self.which] - middle, rows.high[self.which] - middle
        # What the box gives anyway stands for a side that is open, unless the other side is beyond it.
        high = np.maximum(np.minimum(high, reach), np.minimum(high, low))
        low = np.minimum(np.maximum(low, -reach), np.maximum(high, low))
        norm = np.maximum(0.5 * (high - low), NARROW * reach)
        self.limit: Floats = 0.5 * (high - low) / norm
        self.offset: Floats = 0.5 * (high + low) / norm
        self.coefficients: Floats = own / norm[:, None]
        #: what y may be inside the box
        self.reach: Floats = reach / norm
        self.price: Floats = rows.price[self.which][self.hard :] * norm[self.hard :]
        self._places = self.span[:, None] * tracks + np.arange(4 * tracks)
        self._pairs = [
            (column, offset, self.coefficients[:, column] * self.coefficients[:, column + offset])
            for column in range(4 * tracks)
            for offset in range(4 * tracks - column)
        ]

    def __len__(self) -> int:
        return len(self.which)

    def apply(self, centred: Floats) -> Floats:
        """y + offset of the extended points (measured from the middles)."""
        result: Floats = np.einsum("mi,mi->m", self.coefficients, centred[self._places])
        return result

    def add_transpose(self, values: Floats, total: Floats) -> None:
        """Add transposed rows times ``values`` to ``total`` over the extended points."""
        pulled = (self.coefficients * values[:, None]).ravel()
        total += np.bincount(self._places.ravel(), weights=pulled, minlength=len(total))

    def add_weighted_gram(self, weights: Floats, bands: Floats) -> None:
        """Add A' diag(weights) A to lower bands over the extended points."""
        for column, offset, product in self._pairs:
            bands[offset] += np.bincount(
                self._places[:, column], weights=product * weights, minlength=bands.shape[1]
            )
