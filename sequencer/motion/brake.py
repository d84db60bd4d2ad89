"""The quickest way to rest, and with it the quickest way to a target, knot by knot.

State of a track between knots: v = D1 c and a = D2 c of the last point c; a knot chooses the next a = x
within |x - a| <= J, |x| <= A, |v| <= V, then v += x, c += v. All numbers are real and in LSB (per knot^m).

*Rest in two orders.* With a > 0 let fall as fast as jerk allows, v still grows; counting x itself it grows by
G(x) = x + (x - J) + (x - 2J) + ... down to 0. The quickest brake takes the x with v + G(x) = 0, as
far as a -+ J and -+A let it: one closed form a knot (:meth:`Brake.next`), which ends exactly at rest.

*A target in three orders.* Every state has a place where its quickest brake ends. That place grows with
x, so the largest x whose brake does not end beyond the target is time-optimal but for the knots
(:meth:`Brake.toward`): the switching surface of the triple integrator (Athans & Falb, Optimal Control,
section 7), found by a root search along x instead of by cases.
"""

from __future__ import annotations

import math

#: Smaller velocities and accelerations (LSB) are rest.
STILL = 1e-9
#: How near (LSB) the end of a brake is brought to the target; the rounding's tightening has room for it.
NEAR = 2.0**-12
#: The root search halves its bracket at least every other time: never more steps than this.
_MOST_STEPS = 100


class Brake:
    """Limits V, A, J of one track (LSB per knot^m, real, > 0) and the laws that follow from them.

    Every law is odd: a mirrored state gives exactly the mirrored answer.
    """

    __slots__ = ("_fall", "acceleration", "jerk", "velocity")

    def __init__(self, velocity: float, acceleration: float, jerk: float) -> None:
        self.velocity = velocity
        self.acceleration = acceleration
        self.jerk = jerk
        ramp = math.floor(acceleration / jerk)
        self._fall = (ramp + 1) * acceleration - jerk * ramp * (ramp + 1) / 2.0

    def _rise(self, gain: float) -> float:
        """The x with G(x) = ``gain`` >= 0."""
        if gain <= self.jerk:
            return gain
        n = int((math.sqrt(1.0 + 8.0 * gain / self.jerk) - 1.0) / 2.0)
        return (gain + self.jerk * n * (n + 1) / 2.0) / (n + 1)

    def next(self, v: float, a: float) -> float:
        """The next acceleration of the quickest way to rest from (v, a)."""
        x = -self._rise(v) if v > 0.0 else self._rise(-v)
        x = max(a - self.jerk, min(a + self.jerk, x))
        return max(-self.acceleration, min(self.acceleration, x))

    def distance(self, v: float, a: float) -> float:
        """How far the points still go on the quickest way to rest from (v, a)."""
        most = self.acceleration
        gone = 0.0
        while abs(v) > STILL or abs(a) > STILL:
            x = self.next(v, a)
            if abs(x) == most and x == a and x * v < 0.0:  # the same for a while: all at once
                knots = int((abs(v) - self._fall) / most)
                if knots > 0:
                    gone += knots * v + x * (knots * (knots + 1) / 2.0)
                    v += knots * x
                    continue
            v += x
            gone += v
            a = x
        return gone

    def toward(self, v: float, a: float, end: float, target: float) -> float:
        """The next acceleration on the quickest way from (v, a) to rest at ``target``.

        ``end``: where the quickest brake ends; both count from the last point. The answer's own brake ends
        between ``end`` and ``target`` (:data:`NEAR` beyond, at most).
        """
        if target < end:
            return -self.toward(-v, -a, -end, -target)
        low = self.next(v, a)
        high = min(a + self.jerk, self.acceleration, self._rise(max(0.0, self.velocity - v)))
        if v > self.velocity or high <= low:
            return low
        below = end - target
        above = v + high + self.distance(v + high, high) - target
        if above <= NEAR:
            return high
        # Illinois: false position, the value at an end that stays twice is halved
        kept = 0
        for _ in range(_MOST_STEPS):
            x = (low * above - high * below) / (above - below)
            if not low < x < high:
                return low
            miss = v + x + self.distance(v + x, x) - target
            if abs(miss) <= NEAR:
                return x
            if miss < 0.0:
                low, below = x, miss
                if kept < 0:
                    above *= 0.5
                kept = -1
            else:
                high, above = x, miss
                if kept > 0:
                    below *= 0.5
                kept = 1
        return low
