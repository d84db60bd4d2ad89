"""A banded interior point method for problems of one or several tracks: time and memory linear in the length.

Mehrotra's predictor-corrector (SIAM J. Optim. 2, 1992) on rows normalised to [-1, 1]. One banded
Cholesky factorisation and two solves an iteration. The answer is accepted only when limits are
kept and the objective is proven close to the optimum; anything else raises :class:`NoConvergenceError`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.motion.ends import NotPositiveError, ends_of
from sequencer.motion.fast import LOOPS, Answer, run_compiled
from sequencer.motion.problem import Problem, gram_times
from sequencer.motion.rows import Rows
from sequencer.motion.settings import (
    CENTRING_EXPONENT,
    ENDLESS_PRICE,
    GAP_ABSOLUTE,
    GAP_RELATIVE,
    LENIENCE,
    MAX_ITERATIONS,
    REGULARISATION,
    RESIDUAL,
    START_PRICE,
    START_SOFTNESS,
    START_WEIGHT,
    STEP,
)
from sequencer.motion.spline import Floats

#: The upper and the lower side of a row: +y <= 1 and -y <= 1.
_SIDES = np.array([[1.0], [-1.0]])

#: A further row with this share of the highest price is named before others as what has no solution.
FURTHER_SHARE = 1e-2
#: Smallest eigenvalue of the Gram matrix of uniform cubic B-splines (its symbol at the highest frequency).
GRAM_SMALLEST = 17.0 / 315.0


class NoConvergenceError(Exception):
    """No optimum was reached. ``order`` (0..3), ``row`` and ``track`` say which limit resisted most.

    For one of the problem's further rows ``order`` is :data:`.rows.FURTHER`, ``row`` its place in the list.
    """

    def __init__(self, order: int, row: int, track: int, excess: float) -> None:
        super().__init__(f"row {row} of order {order}, track {track}, stays {excess:.3g} over its limit")
        self.order = order
        self.row = row
        self.track = track
        self.excess = excess


@dataclass(frozen=True)
class Solution:
    """Optimal extended points, their objective and proven excess (LSB^2 spans), iterations.

    Points have shape (K + 3,), those of several tracks (tracks * (K + 3),), interleaved.
    """

    extended: Floats
    objective: float
    gap: float
    iterations: int


class _Iterate:
    """The present point: free and extended points, slacks and prices of both sides of each row.

    A soft row may be ``beyond`` its limit at its fine: y <= limit - slack + beyond, and complementary to
    ``beyond`` is what the price lacks to the fine (an exact L1 penalty; Nocedal and Wright, chapter 17).
    """

    def __init__(self, problem: Problem, rows: Rows, scale: float, extended: Floats) -> None:
        self.problem = problem
        self.rows = rows
        self.ends = ends_of(problem.spans, problem.loop, len(problem.parts))
        self.scale = scale
        self.gram = problem.gram * self.scale
        self.aim = problem.centred_moments * self.scale
        self.extended = extended
        count = self.rows.count
        self.y = np.empty(count)
        self.price = np.full((2, count), START_PRICE)
        self._bands = np.empty_like(self.gram)
        self._move = np.zeros_like(extended)
        self._dy = np.empty(count)
        self._least_squares()
        self.slack = np.maximum(1.0, self.rows.limit - _SIDES * self.y)
        soft = self.rows.soft
        # The objective has no 1/2, its gradient here is that of a half.
        self.fine = 0.5 * self.scale * self.rows.price
        self.price[:, soft] = np.minimum(START_PRICE, 0.5 * self.fine)
        self.slack[:, soft] = START_PRICE / self.price[:, soft]
        self.beyond = START_PRICE / (self.fine - self.price[:, soft])
        self.measure()

    def _least_squares(self) -> None:
        """First guess: the nearest points with soft instead of hard limits."""
        softness = np.full(self.rows.count, START_SOFTNESS)
        self._factor(softness)
        self._apply()
        gradient = gram_times(self.gram, self.extended) - self.aim + self.rows.transpose(softness * self.y)
        # Free points are zero so far, so the Newton step is the guess itself.
        self.ends.spread(-self.ends.solve(self.ends.gather(gradient)), self.extended)
        self._apply()

    def _apply(self) -> None:
        self.rows.apply(self.extended, self.y)
        if self.rows.offset is not None:
            self.y -= self.rows.offset

    def _factor(self, weights: Floats) -> None:
        self._bands[:] = self.gram
        self.rows.add_weighted_gram(weights, self._bands)
        for share in REGULARISATION:
            try:
                self._bands[0] *= 1.0 + share
                return self.ends.factor(self._bands)
            except NotPositiveError:
                continue
        raise NotPositiveError

    def measure(self) -> None:
        """Residuals, gap and objective (scaled) of the present point."""
        self._apply()
        soft = self.rows.soft
        self.excess = _SIDES * self.y + self.slack - self.rows.limit
        self.excess[:, soft] -= self.beyond
        self.spare = self.fine - self.price[:, soft]
        product = gram_times(self.gram, self.extended)
        pull = self.rows.transpose(self.price[0] - self.price[1])
        self.gradient = self.ends.gather(product - self.aim + pull)
        self.gap = _dot(self.slack, self.price) + _dot(self.beyond, self.spare)
        self.value = _dot(self.extended, product) - 2.0 * _dot(self.aim, self.extended)
        self.value += self.problem.centred_square * self.scale + 2.0 * _dot(self.beyond, self.fine)
        self.violation = float(np.abs(self.excess).max())
        # x is optimal, up to the gap, for moments that differ by the gradient; by strong convexity
        # that costs at most its square over the smallest eigenvalue. The objective has no 1/2.
        unbalanced = _dot(self.price, np.abs(self.excess)) + _dot(self.spare, np.abs(self.excess[:, soft]))
        steepness = _dot(self.gradient, self.gradient) / _smallest(self.problem, self.scale)
        self.shortfall = 2.0 * (self.gap + unbalanced + steepness)

    def distance(self) -> float:
        """How far from accepted: violation and proven excess over what is wanted; 1 or less is there."""
        wanted = GAP_RELATIVE * max(self.value, 0.0) + GAP_ABSOLUTE * self.scale * self.problem.spans
        return max(self.violation / RESIDUAL, self.shortfall / wanted)

    def step(self) -> None:
        """One predictor-corrector step."""
        slack, price, beyond, spare = self.slack, self.price, self.beyond, self.spare
        self._ratio = price / slack
        soft = self.rows.soft
        self._ratio[:, soft] = 1.0 / (1.0 / self._ratio[:, soft] + beyond / spare)
        self._factor(self._ratio[0] + self._ratio[1])
        count = slack.size + beyond.size
        mean = self.gap / count
        both, both_soft = slack * price, beyond * spare
        dslack, dprice, dbeyond = self._direction(both, both_soft)
        reach = min(1.0, self._longest(dslack, dprice, dbeyond))
        after = _dot(slack + reach * dslack, price + reach * dprice)
        after += _dot(beyond + reach * dbeyond, spare - reach * dprice[:, soft])
        target = mean * min(1.0, max(after / count / mean, 0.0)) ** CENTRING_EXPONENT
        dslack, dprice, dbeyond = self._direction(
            both + dslack * dprice - target, both_soft - dbeyond * dprice[:, soft] - target
        )
        reach = min(1.0, STEP * self._longest(dslack, dprice, dbeyond))
        self.extended += reach * self._move
        slack += reach * dslack
        price += reach * dprice
        beyond += reach * dbeyond
        self.measure()

    def _longest(self, dslack: Floats, dprice: Floats, dbeyond: Floats) -> float:
        """Largest step that keeps slacks and prices non-negative."""
        reach = min(_longest(self.slack, dslack), _longest(self.price, dprice))
        if self.beyond.size:
            over = _longest(self.spare, -dprice[:, self.rows.soft])
            reach = min(reach, _longest(self.beyond, dbeyond), over)
        return reach

    def _direction(self, complement: Floats, complement_soft: Floats) -> tuple[Floats, Floats, Floats]:
        """Newton step that takes ``complement`` off slack * price, ``complement_soft`` off beyond * spare.

        Leaves its points in ``_move``; returns the changes of slack, price and beyond.
        """
        soft = self.rows.soft
        flow = self._ratio * self.excess - complement / self.slack
        pushed = complement_soft / self.spare - complement[:, soft] / self.price[:, soft]
        flow[:, soft] = self._ratio[:, soft] * (self.excess[:, soft] + pushed)
        right = -self.gradient - self.ends.gather(self.rows.transpose(flow[0] - flow[1]))
        self.ends.spread(self.ends.solve(right), self._move)
        self.rows.apply(self._move, self._dy)
        dslack = -self.excess - _SIDES * self._dy
        dprice = -(complement + self.price * dslack) / self.slack
        dprice[:, soft] = flow[:, soft] + self._ratio[:, soft] * (_SIDES * self._dy[soft])
        dbeyond = (self.beyond * dprice[:, soft] - complement_soft) / self.spare
        dslack[:, soft] += dbeyond
        return dslack, dprice, dbeyond


def _dot(one: Floats, other: Floats) -> float:
    """Inner product by pairwise summation: exacter than BLAS, and never waits for its threads."""
    return float((one * other).sum())


def _longest(values: Floats, change: Floats) -> float:
    """Largest step in (0, 1e3] that keeps ``values + step * change`` non-negative."""
    falling = float((change / values).min())
    return 1e3 if falling >= -1e-3 else -1.0 / falling


def objective_scale(problem: Problem) -> float:
    """Weight of the objective that makes multipliers comparable with the unit rows."""
    return START_WEIGHT * len(problem.parts) / sum(part.half_range**2 for part in problem.parts)


def solve(problem: Problem) -> Solution:
    """The optimal points of ``problem``; see :mod:`.problem` for what is minimised.

    Raises :class:`NoConvergenceError` when the limits contradict each other or the fixed ends.
    """
    parts = problem.parts
    middles = np.tile([part.middle for part in parts], problem.spans + 3)
    ends = np.zeros((problem.spans + 3, len(parts)))
    for track, part in enumerate(parts):
        if part.head is not None and part.tail is not None:
            # With fewer than six points head and tail overlap; only equal ends make sense then.
            ends[:3, track] = np.subtract(part.head, part.middle)
            ends[-3:, track] = np.subtract(part.tail, part.middle)
    extended = ends.ravel()
    if parts[0].unknowns == 0:
        extended += middles
        return Solution(extended, problem.objective(extended), 0.0, 0)
    rows, scale = Rows(problem), objective_scale(problem)
    run = LOOPS.for_problem(problem)
    if run is None:
        answer = _iterate(problem, rows, scale, extended)
    else:
        answer = run_compiled(run, problem, rows, scale, _smallest(problem, scale), extended)
    if not answer.accepted:
        order, row, track = _hardest(rows, answer.prices)
        raise NoConvergenceError(order, row, track, answer.violation)
    points = answer.extended + middles
    return Solution(points, problem.objective(points), answer.excess / scale, answer.iterations)


def _iterate(problem: Problem, rows: Rows, scale: float, extended: Floats) -> Answer:
    """The array form of the iterations from ``extended`` on."""
    best: Answer | None = None
    nearest = LENIENCE
    # Prices of contradicting limits grow without end: overflow is the sign, not an accident.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        point = _Iterate(problem, rows, scale, extended)
        for iteration in range(MAX_ITERATIONS + 1):
            distance = point.distance()
            if distance <= nearest:
                nearest = distance
                best = Answer(True, point.extended.copy(), iteration, point.shortfall)
            if distance <= 1.0 or not math.isfinite(distance) or (best is not None and distance > nearest):
                break
            if point.price.sum() > ENDLESS_PRICE:
                break
            try:
                point.step()
            except NotPositiveError:
                break
    prices = point.price[0] + point.price[1]
    return best or Answer(False, extended, iteration, point.shortfall, point.violation, prices)


def _smallest(problem: Problem, scale: float) -> float:
    """A bound from below on the eigenvalues of the scaled quadratic form."""
    return GRAM_SMALLEST * problem.convexity * scale


def _hardest(rows: Rows, prices: Floats) -> tuple[int, int, int]:
    """(order, row, track) of the limit with the highest price; a further row that is near it goes first.

    Prices of contradicting limits grow in proportion, and standing still keeps all but further rows.
    """
    further = rows.further
    if further is not None and len(further):
        own = prices[-len(further) :] * further.reach
        if own.max() > FURTHER_SHARE * prices.max():
            return rows.name(len(prices) - len(own) + int(np.argmax(own)))
    return rows.name(int(np.argmax(prices)))
