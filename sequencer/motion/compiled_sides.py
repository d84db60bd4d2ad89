"""What an iteration does to slacks and prices, in compiled passes over all rows (see :mod:`.compiled`).

Entry 0 of ``slack`` and ``price`` (2, rows) is for y <= limit, entry 1 for -y <= limit. ``blocks`` (n, 2)
are the ranges of rows to go over; each is looked at through views that begin at its start, which is what
lets the compiler take several rows at once. Formulas are those of :mod:`.interior`, written so that a side
costs one division: ``inverse`` holds 1 / (slack * price).
"""

from __future__ import annotations

from sequencer.motion.compiled_band import jit


@jit
def _both(array, rows):
    """The two sides of a block."""
    return array[0, rows[0] : rows[1]], array[1, rows[0] : rows[1]]


@jit
def _one(array, rows):
    return array[rows[0] : rows[1]]


@jit
def _largest(values):
    """Largest of ``values``, which are folded in half until one is left: several at once, unlike a search."""
    count = len(values)
    while count > 1:
        half = count // 2
        low, high = values[:half], values[count - half : count]
        for i in range(half):
            low[i] = high[i] if high[i] > low[i] else low[i]
        count -= half
    return values[0] if count else 0.0


@jit
def begin(blocks, y, limit, slack, price, inverse, weight, flow):
    """Weights of the rows, and what the predictor's right side pulls with."""
    for rows in blocks:
        at, most, total, pull = _one(y, rows), _one(limit, rows), _one(weight, rows), _one(flow, rows)
        (s, t), (z, q), (over, under) = _both(slack, rows), _both(price, rows), _both(inverse, rows)
        for i in range(len(at)):
            above = 1.0 / (s[i] * z[i])
            below = 1.0 / (t[i] * q[i])
            over[i] = above
            under[i] = below
            above *= z[i] * z[i]
            below *= q[i] * q[i]
            total[i] = above + below
            pull[i] = above * (at[i] + s[i] - most[i]) - below * (t[i] - at[i] - most[i])


@jit
def predict(blocks, y, dy, limit, slack, price, inverse, second, flow, scratch):
    """(largest relative fall of a slack or price, sum of slack changes times price changes) of the predictor.

    Leaves these products over the slacks in ``second``, and the corrector's pull without its target.
    """
    fall, cross = 0.0, 0.0
    for rows in blocks:
        at, move, most, pull = _one(y, rows), _one(dy, rows), _one(limit, rows), _one(flow, rows)
        (s, t), (z, q), (over, under) = _both(slack, rows), _both(price, rows), _both(inverse, rows)
        first, other = _both(second, rows)
        falls = scratch[: len(at)]
        for i in range(len(at)):
            above, below = at[i] + s[i] - most[i], t[i] - at[i] - most[i]
            per_s, per_t = over[i] * z[i], under[i] * q[i]
            ds, dt = -above - move[i], move[i] - below
            up, down = ds * per_s, dt * per_t
            product, opposite = -ds * z[i] * (1.0 + up), -dt * q[i] * (1.0 + down)
            cross += product + opposite
            first[i], other[i] = product * per_s, opposite * per_t
            pull[i] = per_s * (z[i] * above - product) - per_t * (q[i] * below - opposite)
            one = -up if -up > 1.0 + up else 1.0 + up
            two = -down if -down > 1.0 + down else 1.0 + down
            falls[i] = one if one > two else two
        fall = max(fall, _largest(falls))
    return fall, cross


@jit
def aim(blocks, target, price, inverse, flow):
    """Add the target of every product of slack and price to the corrector's pull."""
    for rows in blocks:
        pull = _one(flow, rows)
        (z, q), (over, under) = _both(price, rows), _both(inverse, rows)
        for i in range(len(pull)):
            pull[i] += target * (over[i] * z[i] - under[i] * q[i])


@jit
def correct(blocks, target, y, dy, limit, slack, price, inverse, second, scratch):
    """Largest relative fall of the corrector; leaves the changes of the prices in ``second``."""
    fall = 0.0
    for rows in blocks:
        at, move, most = _one(y, rows), _one(dy, rows), _one(limit, rows)
        (s, t), (z, q), (over, under) = _both(slack, rows), _both(price, rows), _both(inverse, rows)
        first, other = _both(second, rows)
        falls = scratch[: len(at)]
        for i in range(len(at)):
            per_s, per_t = over[i] * z[i], under[i] * q[i]
            up = (at[i] + s[i] - most[i] + move[i]) * per_s
            down = (t[i] - at[i] - most[i] - move[i]) * per_t
            dz = target * per_s - first[i] - z[i] * (1.0 - up)
            dq = target * per_t - other[i] - q[i] * (1.0 - down)
            first[i], other[i] = dz, dq
            dz *= -over[i] * s[i]
            dq *= -under[i] * t[i]
            one = up if up > dz else dz
            two = down if down > dq else dq
            falls[i] = one if one > two else two
        fall = max(fall, _largest(falls))
    return fall


@jit
def advance(blocks, reach, y, dy, limit, slack, price, second):
    """Go ``reach`` of the way; ``y`` is still the old one."""
    for rows in blocks:
        at, move, most = _one(y, rows), _one(dy, rows), _one(limit, rows)
        (s, t), (z, q), (first, other) = _both(slack, rows), _both(price, rows), _both(second, rows)
        for i in range(len(at)):
            s[i] -= reach * (at[i] + s[i] - most[i] + move[i])
            t[i] -= reach * (t[i] - at[i] - most[i] - move[i])
            z[i] += reach * first[i]
            q[i] += reach * other[i]


@jit
def measure(blocks, y, limit, slack, price, flow, scratch):
    """(violation, gap, price of the violations, sum of prices); leaves the rows' net prices in ``flow``."""
    violation, gap, unbalanced, total = 0.0, 0.0, 0.0, 0.0
    for rows in blocks:
        at, most, pull = _one(y, rows), _one(limit, rows), _one(flow, rows)
        (s, t), (z, q) = _both(slack, rows), _both(price, rows)
        worst = scratch[: len(at)]
        for i in range(len(at)):
            above, below = abs(at[i] + s[i] - most[i]), abs(t[i] - at[i] - most[i])
            gap += s[i] * z[i] + t[i] * q[i]
            unbalanced += above * z[i] + below * q[i]
            pull[i] = z[i] - q[i]
            total += z[i] + q[i]
            worst[i] = above if above > below else below
        violation = max(violation, _largest(worst))
    return violation, gap, unbalanced, total
