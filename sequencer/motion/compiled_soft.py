"""The passes of :mod:`.compiled_sides` for soft rows, which may be ``beyond`` their limit at their fine.

Arrays (2, n) hold the n soft rows alone: the caller gives views of the end of its row arrays.
"""

from __future__ import annotations

from sequencer.motion.compiled_band import jit


@jit
def begin(fine, y, limit, slack, price, beyond, ratio, weight, flow):
    """Weights and the predictor's pull."""
    for i in range(len(fine)):
        weight[i] = flow[i] = 0.0
        for side in range(2):
            sign = 1.0 - 2.0 * side
            spare = fine[i] - price[side, i]
            share = 1.0 / (slack[side, i] / price[side, i] + beyond[side, i] / spare)
            ratio[side, i] = share
            weight[i] += share
            flow[i] += sign * (price[side, i] + share * (sign * y[i] - limit[i]))


@jit
def direction(fine, y, dy, limit, slack, price, beyond, ratio, second, second_soft, target, fall, changes):
    """(largest relative fall or ``fall``, sum of products of changes) for complements that are corrected.

    ``second``, ``second_soft`` hold the products of the predictor's changes (zero for the predictor);
    ``changes`` (3, 2, n) gets the changes of slack, price and beyond.
    """
    cross = 0.0
    for i in range(len(fine)):
        for side in range(2):
            sign = 1.0 - 2.0 * side
            s, z, b = slack[side, i], price[side, i], beyond[side, i]
            spare = fine[i] - z
            excess = sign * y[i] + s - b - limit[i]
            first = s * z + second[side, i] - target
            other = b * spare + second_soft[side, i] - target
            dz = ratio[side, i] * (excess + other / spare - first / z + sign * dy[i])
            db = (b * dz - other) / spare
            ds = db - excess - sign * dy[i]
            fall = max(fall, -ds / s, -dz / z, -db / b, dz / spare)
            cross += (ds - db) * dz
            changes[0, side, i], changes[1, side, i], changes[2, side, i] = ds, dz, db
    return fall, cross


@jit
def aim(fine, y, limit, slack, price, beyond, ratio, changes, second, second_soft, target, flow):
    """The corrector's pull; leaves the products of the predictor's changes in ``second``, ``second_soft``."""
    for i in range(len(fine)):
        flow[i] = 0.0
        for side in range(2):
            second[side, i] = changes[0, side, i] * changes[1, side, i]
            second_soft[side, i] = -changes[2, side, i] * changes[1, side, i]
            sign = 1.0 - 2.0 * side
            s, z, b = slack[side, i], price[side, i], beyond[side, i]
            spare = fine[i] - z
            excess = sign * y[i] + s - b - limit[i]
            pushed = (b * spare + second_soft[side, i] - target) / spare
            pushed -= (s * z + second[side, i] - target) / z
            flow[i] += sign * (z + ratio[side, i] * (excess + pushed))


@jit
def advance(reach, slack, price, beyond, changes):
    """Go ``reach`` of the way."""
    for side in range(2):
        for i in range(beyond.shape[1]):
            slack[side, i] += reach * changes[0, side, i]
            price[side, i] += reach * changes[1, side, i]
            beyond[side, i] += reach * changes[2, side, i]


@jit
def measure(fine, y, limit, slack, price, beyond, flow):
    """(violation, gap, price of the violations, fines paid); leaves the rows' net prices in ``flow``."""
    violation, gap, unbalanced, paid = 0.0, 0.0, 0.0, 0.0
    for i in range(len(fine)):
        flow[i] = price[0, i] - price[1, i]
        for side in range(2):
            sign = 1.0 - 2.0 * side
            s, z, b = slack[side, i], price[side, i], beyond[side, i]
            excess = abs(sign * y[i] + s - b - limit[i])
            violation = max(violation, excess)
            gap += s * z + b * (fine[i] - z)
            unbalanced += fine[i] * excess
            paid += fine[i] * b
    return violation, gap, unbalanced, paid
