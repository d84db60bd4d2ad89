"""Sways and shakes: a sine that rides on the move beneath, faded in and out so that it is feasible."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.timeline.curve import Bounds
from sequencer.timeline.laws import LAWS

Array = NDArray[np.float64]
_EDGE = LAWS["natural"]
#: Preferred periods when the scene names none.
USUAL_PERIOD_S = {"sways": 1.6, "shakes": 0.4}


@dataclass(frozen=True)
class Swing:
    """Unit swing: sin(2 pi t / period), faded in and out over ``fade_s``; endless (a loop's) has no fade."""

    duration_s: float
    period_s: float
    endless: bool = False

    @property
    def fade_s(self) -> float:
        """One period at either end, half the duration at most."""
        return 0.0 if self.endless else min(self.period_s, self.duration_s / 2)

    def at(self, t: Array, order: int) -> Array:
        """Derivative ``order`` (0..3) at times since its start."""
        w = 2 * math.pi / self.period_s
        waves = [w**m * np.sin(w * t + m * math.pi / 2) for m in range(order + 1)]
        if self.endless:
            return waves[order]
        fades = [self._fade(t, m) for m in range(order + 1)]
        out = np.zeros_like(t)
        for m in range(order + 1):  # Leibniz' product rule
            out += math.comb(order, m) * fades[m] * waves[order - m]
        return np.where((t < 0) | (t > self.duration_s), 0.0, out)

    def _fade(self, t: Array, order: int) -> Array:
        rate = 1.0 / self.fade_s
        law = (_EDGE.s, _EDGE.v, _EDGE.a, _EDGE.j)[order]
        rise = rate**order * law(t * rate)
        fall = (-rate) ** order * law((self.duration_s - t) * rate)
        return np.minimum(rise, fall) if order == 0 else rise + fall

    def peaks(self) -> tuple[float, float, float]:
        """Largest |velocity|, |acceleration|, |jerk| of the unit swing."""
        if self.endless:
            w = 2 * math.pi / self.period_s
            return w, w**2, w**3
        ends = min(self.duration_s, 2 * self.fade_s + self.period_s)
        t = np.linspace(0.0, ends, 1201)  # the middle repeats, the end mirrors the beginning
        t = np.concatenate([t, self.duration_s - t])
        v, a, j = (float(np.max(np.abs(self.at(t, order)))) for order in (1, 2, 3))
        return v, a, j

    def largest(self, bounds: Bounds) -> float:
        """The largest amplitude within ``bounds`` (same angle unit)."""
        v, a, j = self.peaks()
        return 0.999 * min(bounds.velocity / v, bounds.acceleration / a, bounds.jerk / j)


def usual_swing(kind: str, duration_s: float, amplitude: float, bounds: Bounds) -> Swing:
    """A whole number of swings near the usual period; fewer when the axis could not follow."""
    count = max(1, round(duration_s / USUAL_PERIOD_S[kind]))
    while count > 1 and Swing(duration_s, duration_s / count).largest(bounds) < amplitude:
        count = math.floor(count * 0.95)
    return Swing(duration_s, duration_s / count)


def slowest_that_fits(swing: Swing, amplitude: float, bounds: Bounds) -> float | None:
    """The shortest period, in steps of 0.01 s, at which ``amplitude`` fits; None when none does."""
    limit_s = 600.0 if swing.endless else swing.duration_s
    period_s = swing.period_s
    while True:
        rounded = math.ceil(period_s * 100 - 1e-6) / 100
        if rounded > limit_s:
            return None
        if Swing(swing.duration_s, rounded, swing.endless).largest(bounds) >= amplitude:
            return rounded
        period_s = max(rounded + 0.01, period_s * 1.02)
