"""Motion through a linkage: how axes move when their servos do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.linkage import Linkage

Array = NDArray[np.float64]
#: How far along the path the linkage's change is looked at, seconds.
_ASIDE_S = 1e-4


def through_linkage(
    linkage: Linkage, angle: Array, speed: Array, acceleration: Array, near: Array
) -> tuple[Array, Array, Array]:
    """Axis angles, speeds, accelerations (n, k) from those of the servos (n, k).

    ``near`` (n, k) says which of several closures is meant.
    """
    q: Array = linkage.axis_rad(angle, near)
    return q, *moved_at(linkage, q, linkage.jacobian(q), speed, acceleration)


def moved_at(
    linkage: Linkage, q: Array, jacobian: Array, speed: Array, acceleration: Array
) -> tuple[Array, Array]:
    """Axis speeds and accelerations (n, k) at the pose ``q``, whose Jacobian is known.

    With J = d servo / d axis: s' = J q' and s'' = J q'' + J' q'; J' is the difference of J a tenth of a
    millisecond either side along the path.
    """
    qd = _solved(jacobian, speed)
    ahead = linkage.jacobian(q + _ASIDE_S * qd)
    behind = linkage.jacobian(q - _ASIDE_S * qd)
    # At the very end of a range a tenth of a millisecond can be out of reach; there nothing moves.
    turning = np.nan_to_num((ahead - behind) / (2.0 * _ASIDE_S), nan=0.0)
    pushed = acceleration - np.einsum("nij,nj->ni", turning, qd)
    return qd, _solved(jacobian, pushed)


def _solved(matrices: Array, right: Array) -> Array:
    """x (n, k) of ``matrices`` (n, k, k) x = ``right`` (n, k)."""
    return np.asarray(np.linalg.solve(matrices, right[:, :, None])[:, :, 0], dtype=np.float64)
