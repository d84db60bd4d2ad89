"""From real control points to integers, so that what was planned within limits stays within them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sequencer.motion.spline import Floats

#: Values are first rounded to this grid, so that solver noise about a half never flips a hold
#: between two integers.
SETTLE_LSB = 2.0**-10
#: How far an m-th difference (m = 1, 2, 3) can move by rounding: 2^m halves, plus the settling.
TIGHTENING = tuple(2.0**order * (0.5 + 0.5 * SETTLE_LSB) for order in (1, 2, 3))


def round_points(points: Floats) -> NDArray[np.int64]:
    """Nearest integers, halves upward; integers of the box stay bounds of the result."""
    settled = np.rint(points / SETTLE_LSB) * SETTLE_LSB
    return np.floor(settled + 0.5).astype(np.int64)
