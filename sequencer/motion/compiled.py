"""The loops of :mod:`.interior` compiled: the same method on the same rows, a fraction of the time.

Importing this module needs numba, and compiles or loads what was compiled before; :mod:`.fast` decides
when that pays. ``scales`` is a tuple of tuples, one number for each order and track, so that the number
of tracks is known when compiling and short loops over tracks and diagonals unroll.
"""

from __future__ import annotations

import numpy as np

from sequencer.motion import compiled_sides as sides
from sequencer.motion import compiled_soft as soft
from sequencer.motion.compiled_band import jit
from sequencer.motion.compiled_ends import factor_ends, solve_ends
from sequencer.motion.compiled_rows import apply_rows, gram_product, transpose_rows, weigh_rows
from sequencer.motion.settings import (
    CENTRING_EXPONENT,
    ENDLESS_PRICE,
    GAP_RELATIVE,
    LENIENCE,
    MAX_ITERATIONS,
    REGULARISATION,
    RESIDUAL,
    START_PRICE,
    START_SOFTNESS,
    STEP,
)


@jit
def _longest(fall):
    return 1e3 if fall <= 1e-3 else 1.0 / fall


@jit
def run(
    gram, moments, square, wanted_absolute, steepness, x, loop, scales, faces,
    span, coefficients, offset, limit, fine, blocks, price,
):  # fmt: skip
    """Iterate from ``x`` (extended points measured from the middles); all scaled as in :mod:`.interior`.

    Returns (whether accepted, points, prices (2, rows), iterations, proven excess, violation) of the accepted
    iterate, or of the last. ``x`` and ``price`` are worked in. For the rows see :mod:`.compiled_rows`;
    ``blocks`` are the ranges of all but the soft rows.
    """
    tracks = len(scales[0])
    border = 3 * tracks
    size = len(x)
    points = size - border
    free = 0 if loop else border
    length = size + border
    plain = 4 * length  # the rows of differences have no offset
    count = len(limit)
    hard = count - len(fine)
    columns = np.zeros(size * 4 * tracks)
    coupling = np.zeros((points - border) * border if loop else 0)
    eliminated = np.zeros_like(coupling)
    schur = np.zeros((border, border))
    y, dy, scratch = np.zeros(count), np.zeros(count), np.zeros(count)
    weight, flow = np.zeros(count), np.zeros(count)
    slack, inverse, second = np.ones((2, count)), np.zeros((2, count)), np.zeros((2, count))
    beyond = np.zeros((2, len(fine)))
    changes, none = np.zeros((3, 2, len(fine))), np.zeros((2, len(fine)))
    products, soft_products = np.zeros((2, len(fine))), np.zeros((2, len(fine)))
    product, pull, move = np.zeros(size), np.zeros(size), np.zeros(size)

    for b in range(len(blocks)):
        weight[blocks[b, 0] : blocks[b, 1]] = START_SOFTNESS
    weight[hard:] = START_SOFTNESS
    positive = False
    for share in REGULARISATION:
        weigh_rows(gram, weight, scales, points, free, faces, span, coefficients, length, columns)
        if share > 0.0:
            for i in range(size):
                columns[i * 4 * tracks] *= 1.0 + share
        positive = factor_ends(columns, points, loop, scales[0], coupling, eliminated, schur)
        if positive:
            break
    if not positive:
        return False, x, price, 0, np.inf, np.inf
    apply_rows(x, scales, points, free, faces, span, coefficients, length, y)
    for i in range(len(offset)):
        y[plain + i] -= offset[i]
    for i in range(count):
        flow[i] = weight[i] * y[i]
    gram_product(gram, x, scales[0], product)
    transpose_rows(flow, scales, points, free, faces, span, coefficients, length, pull)
    for i in range(size):
        move[i] = moments[i] - product[i] - pull[i]
    solve_ends(columns, points, loop, scales[0], coupling, eliminated, schur, move)
    for i in range(size):
        x[i] += move[i]
    apply_rows(x, scales, points, free, faces, span, coefficients, length, y)
    for i in range(len(offset)):
        y[plain + i] -= offset[i]
    for i in range(count):
        slack[0, i] = max(1.0, limit[i] - y[i])
        slack[1, i] = max(1.0, limit[i] + y[i])
        price[0, i] = price[1, i] = START_PRICE
    for k in range(len(fine)):
        for side in range(2):
            price[side, hard + k] = min(START_PRICE, 0.5 * fine[k])
            slack[side, hard + k] = START_PRICE / price[side, hard + k]
            beyond[side, k] = START_PRICE / (fine[k] - price[side, hard + k])
    complements = 2.0 * len(fine) * 2.0
    for b in range(len(blocks)):
        complements += 2.0 * (blocks[b, 1] - blocks[b, 0])

    best, best_price = x, price
    found, best_iteration, best_excess = False, 0, 0.0
    nearest = LENIENCE
    violation, iteration = np.inf, 0
    while True:
        violation, gap, unbalanced, prices = sides.measure(blocks, y, limit, slack, price, flow, scratch)
        more, own_gap, own_unbalanced, paid = soft.measure(
            fine, y[hard:], limit[hard:], slack[:, hard:], price[:, hard:], beyond, flow[hard:]
        )
        violation, gap, unbalanced = max(violation, more), gap + own_gap, unbalanced + own_unbalanced
        gram_product(gram, x, scales[0], product)
        transpose_rows(flow, scales, points, free, faces, span, coefficients, length, pull)
        value = square + 2.0 * paid
        for i in range(size):
            value += x[i] * (product[i] - 2.0 * moments[i])
            product[i] -= moments[i]
            pull[i] += product[i]
        if loop:
            for i in range(border):
                pull[i] += pull[points + i]
        steep = 0.0
        for i in range(free, points):
            steep += pull[i] * pull[i]
        shortfall = 2.0 * (gap + unbalanced + steep * steepness)
        distance = max(violation / RESIDUAL, shortfall / (GAP_RELATIVE * max(value, 0.0) + wanted_absolute))
        if not (np.isfinite(shortfall) and np.isfinite(distance)):
            break
        if distance <= nearest:
            nearest = distance
            found, best_iteration, best_excess = True, iteration, shortfall
            best, best_price = x.copy(), price.copy()
        if distance <= 1.0 or (found and distance > nearest) or prices > ENDLESS_PRICE:
            break
        if iteration == MAX_ITERATIONS:
            break

        sides.begin(blocks, y, limit, slack, price, inverse, weight, flow)
        soft.begin(
            fine, y[hard:], limit[hard:], slack[:, hard:], price[:, hard:], beyond, inverse[:, hard:],
            weight[hard:], flow[hard:],
        )  # fmt: skip
        positive = False
        for share in REGULARISATION:
            weigh_rows(gram, weight, scales, points, free, faces, span, coefficients, length, columns)
            if share > 0.0:
                for i in range(size):
                    columns[i * 4 * tracks] *= 1.0 + share
            positive = factor_ends(columns, points, loop, scales[0], coupling, eliminated, schur)
            if positive:
                break
        if not positive:
            break
        transpose_rows(flow, scales, points, free, faces, span, coefficients, length, move)
        for i in range(size):
            move[i] = -product[i] - move[i]
        solve_ends(columns, points, loop, scales[0], coupling, eliminated, schur, move)
        apply_rows(move, scales, points, free, faces, span, coefficients, length, dy)
        fall, cross = sides.predict(blocks, y, dy, limit, slack, price, inverse, second, flow, scratch)
        fall, own_cross = soft.direction(
            fine, y[hard:], dy[hard:], limit[hard:], slack[:, hard:], price[:, hard:], beyond,
            inverse[:, hard:], none, none, 0.0, fall, changes,
        )  # fmt: skip
        reach = min(1.0, _longest(fall))
        after = gap * (1.0 - reach) + reach * reach * (cross + own_cross)
        target = gap / complements * min(1.0, max(after / gap, 0.0)) ** CENTRING_EXPONENT

        sides.aim(blocks, target, price, inverse, flow)
        soft.aim(
            fine, y[hard:], limit[hard:], slack[:, hard:], price[:, hard:], beyond, inverse[:, hard:],
            changes, products, soft_products, target, flow[hard:],
        )  # fmt: skip
        transpose_rows(flow, scales, points, free, faces, span, coefficients, length, move)
        for i in range(size):
            move[i] = -product[i] - move[i]
        solve_ends(columns, points, loop, scales[0], coupling, eliminated, schur, move)
        apply_rows(move, scales, points, free, faces, span, coefficients, length, dy)
        fall = sides.correct(blocks, target, y, dy, limit, slack, price, inverse, second, scratch)
        fall, _ = soft.direction(
            fine, y[hard:], dy[hard:], limit[hard:], slack[:, hard:], price[:, hard:], beyond,
            inverse[:, hard:], products, soft_products, target, fall, changes,
        )  # fmt: skip
        reach = min(1.0, STEP * _longest(fall))
        for i in range(size):
            x[i] += reach * move[i]
        sides.advance(blocks, reach, y, dy, limit, slack, price, second)
        soft.advance(reach, slack[:, hard:], price[:, hard:], beyond, changes)
        apply_rows(x, scales, points, free, faces, span, coefficients, length, y)
        for i in range(len(offset)):
            y[plain + i] -= offset[i]
        iteration += 1
    if found:
        return True, best, best_price, best_iteration, best_excess, violation
    return False, x, price, iteration, np.inf, violation
