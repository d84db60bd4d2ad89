"""The seven motion laws: how a move gets from rest to rest, as s(u) over unit rise and unit time.

Formulae: the cam literature's standard laws (Norton, *Design of Machinery*, cam chapter; VDI 2143;
both from memory), derived here from their accelerations. Five of them are chains of pieces whose
acceleration is ``amplitude * sin(omega x + phase)``; each chain is integrated in closed form and
scaled so that it rises by exactly one. Two are polynomials. Peak factors are computed, not typed.

A move over distance d in T seconds has peak velocity ``d cv / T``, acceleration ``d ca / T^2`` and
jerk ``d cj / T^3``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


class _Shape(Protocol):
    """A curve over u in [0, 1] with its derivatives."""

    def at(self, u: Array, order: int) -> Array: ...

    def turning_points(self, order: int) -> list[float]: ...


@dataclass(frozen=True)
class _Piece:
    """From ``start``: acceleration = amplitude * sin(omega (u - start) + phase); omega 0 is constant."""

    start: float
    amplitude: float
    omega: float
    phase: float
    s0: float
    v0: float

    def at(self, u: Array, order: int) -> Array:
        """Derivative ``order`` (0 position .. 3 jerk) at ``u``."""
        x = u - self.start
        if self.omega == 0.0:
            a = self.amplitude * math.sin(self.phase)
            return (self.s0 + self.v0 * x + a * x * x / 2, self.v0 + a * x, a + 0 * x, 0 * x)[order]
        w, angle = self.omega, self.omega * x + self.phase
        v = self.v0 + self.amplitude / w * (math.cos(self.phase) - np.cos(angle))
        if order == 0:
            drift = self.v0 + self.amplitude / w * math.cos(self.phase)
            return self.s0 + drift * x - self.amplitude / w**2 * (np.sin(angle) - math.sin(self.phase))
        return (v, v, self.amplitude * np.sin(angle), self.amplitude * w * np.cos(angle))[order]


class _Chain:
    """Pieces end to end over [0, 1]."""

    def __init__(self, recipe: Sequence[tuple[float, float, float, float]]) -> None:
        """``recipe``: (length, amplitude, omega, phase) of each piece; amplitudes up to a common factor."""
        rise = self._run(recipe, 1.0)[1]
        self.pieces, _ = self._run(recipe, 1.0 / rise)

    @staticmethod
    def _run(recipe: Sequence[tuple[float, float, float, float]], scale: float) -> tuple[list[_Piece], float]:
        pieces: list[_Piece] = []
        start = s = v = 0.0
        for length, amplitude, omega, phase in recipe:
            piece = _Piece(start, amplitude * scale, omega, phase, s, v)
            pieces.append(piece)
            end = np.array([start + length])
            s, v = float(piece.at(end, 0)[0]), float(piece.at(end, 1)[0])
            start += length
        return pieces, s

    def at(self, u: Array, order: int) -> Array:
        out = np.empty_like(u)
        which = np.searchsorted([piece.start for piece in self.pieces], u, side="right") - 1
        which = np.clip(which, 0, len(self.pieces) - 1)
        for index, piece in enumerate(self.pieces):
            here = which == index
            out[here] = piece.at(u[here], order)
        return out

    def turning_points(self, order: int) -> list[float]:
        """Where derivative ``order`` may be extreme: seams, and inside a piece where the next is zero."""
        seams = [piece.start for piece in self.pieces]
        found = [*seams, *(np.nextafter(seam, 0.0) for seam in seams[1:]), 1.0]
        for piece, end in zip(self.pieces, [*seams[1:], 1.0], strict=True):
            if piece.omega == 0.0:
                continue
            zero = 0.0 if order % 2 else math.pi / 2  # of sin for velocity and jerk, of cos for acceleration
            first = math.ceil((piece.phase - zero) / math.pi)
            for k in range(first, first + 4):
                u = piece.start + (zero + k * math.pi - piece.phase) / piece.omega
                if piece.start <= u <= end:
                    found.append(u)
        return found


class _Power:
    """A polynomial in u."""

    def __init__(self, *coefficients: float) -> None:
        self.orders = [Polynomial(coefficients)]
        for _ in range(4):
            self.orders.append(self.orders[-1].deriv())

    def at(self, u: Array, order: int) -> Array:
        # Horner's rule, as Polynomial does it, without the ceremony: cues ask for one value at a time.
        coefficients = self.orders[order].coef
        value = np.full_like(u, coefficients[-1])
        for coefficient in coefficients[-2::-1]:
            value = value * u + coefficient
        return value

    def turning_points(self, order: int) -> list[float]:
        roots = self.orders[order + 1].roots()
        complex_roots = [complex(root) for root in np.asarray(roots).tolist()]
        real = [root.real for root in complex_roots if abs(root.imag) < 1e-9 and 0 <= root.real <= 1]
        return [0.0, 1.0, *real]


@dataclass(frozen=True)
class Law:
    """One motion law. ``word`` is what a scene writes, ``name`` the textbook's.

    ``cv``, ``ca``, ``cj`` are the peak factors; ``cj`` is infinite where acceleration jumps (in the
    planner's hands such corners are rounded).
    """

    word: str
    name: str
    shape: _Shape = field(repr=False)
    cv: float = field(init=False)
    ca: float = field(init=False)
    cj: float = field(init=False)

    def __post_init__(self) -> None:
        for label, order in (("cv", 1), ("ca", 2), ("cj", 3)):
            object.__setattr__(self, label, self._peak(order))
        if abs(self.a(0.0)[()]) > 1e-9 or abs(self.a(1.0)[()]) > 1e-9 or self._jumps():
            object.__setattr__(self, "cj", math.inf)

    def _peak(self, order: int) -> float:
        points = np.array(self.shape.turning_points(order))
        return float(np.max(np.abs(self.shape.at(points, order))))

    def _jumps(self) -> bool:
        inner = np.array([u for u in self.shape.turning_points(1) if 0 < u < 1])
        if inner.size == 0:
            return False
        before = self.shape.at(np.nextafter(inner, 0.0), 2)
        return bool(np.max(np.abs(before - self.shape.at(inner, 2))) > 1e-6)

    def at(self, u: ArrayLike, order: int) -> Array:
        """Derivative ``order`` (0..3) of s at ``u``."""
        values = np.asarray(u, dtype=np.float64)
        inside = self.shape.at(np.clip(values, 0.0, 1.0).ravel(), order).reshape(values.shape)
        if order == 0:
            return inside
        return np.where((values < 0) | (values > 1), 0.0, inside)

    def s(self, u: ArrayLike) -> Array:
        """Position 0..1 at ``u`` (any shape; clamped outside [0, 1])."""
        return self.at(u, 0)

    def v(self, u: ArrayLike) -> Array:
        """ds/du; zero outside [0, 1]."""
        return self.at(u, 1)

    def a(self, u: ArrayLike) -> Array:
        """d2s/du2; zero outside [0, 1]."""
        return self.at(u, 2)

    def j(self, u: ArrayLike) -> Array:
        """d3s/du3; zero outside [0, 1]; the jumps of the first two laws are not in it."""
        return self.at(u, 3)

    def shortest_s(self, distance: float, velocity: float, acceleration: float, jerk: float) -> float:
        """The smallest duration over ``distance`` that keeps all three limits (same length unit, s).

        max(d cv / V, sqrt(d ca / A), cbrt(d cj / J)). For the two laws of infinite jerk only V and A
        count: their corners are left for the planner to round.
        """
        d = abs(distance)
        times = [d * self.cv / velocity, math.sqrt(d * self.ca / acceleration)]
        if math.isfinite(self.cj):
            times.append(math.cbrt(d * self.cj / jerk))
        return max(times)

    def farthest(self, duration_s: float, velocity: float, acceleration: float, jerk: float) -> float:
        """The largest distance that the law covers in ``duration_s`` within the limits."""
        t = duration_s
        distances = [velocity * t / self.cv, acceleration * t**2 / self.ca]
        if math.isfinite(self.cj):
            distances.append(jerk * t**3 / self.cj)
        return min(distances)


_QUARTER = 4 * math.pi
_HALF = math.pi / 2

#: The laws by the word that a scene uses. ``natural`` is the default.
LAWS: dict[str, Law] = {
    law.word: law
    for law in (
        Law("sudden", "parabolic", _Chain([(0.5, 1, 0, _HALF), (0.5, -1, 0, _HALF)])),
        Law("swinging", "simple harmonic", _Chain([(1.0, 1, math.pi, _HALF)])),
        Law("smooth", "cycloidal", _Chain([(1.0, 1, 2 * math.pi, 0)])),
        Law(
            "strong",
            "modified trapezoid",
            _Chain(
                [
                    (0.125, 1, _QUARTER, 0),
                    (0.25, 1, 0, _HALF),
                    (0.25, 1, _QUARTER, _HALF),
                    (0.25, -1, 0, _HALF),
                    (0.125, -1, _QUARTER, _HALF),
                ]
            ),
        ),
        Law(
            "steady",
            "modified sine",
            _Chain([(0.125, 1, _QUARTER, 0), (0.75, 1, _QUARTER / 3, _HALF), (0.125, -1, _QUARTER, _HALF)]),
        ),
        Law("natural", "3-4-5 polynomial", _Power(0, 0, 0, 10, -15, 6)),
        Law("gentle", "4-5-6-7 polynomial", _Power(0, 0, 0, 0, 35, -84, 70, -20)),
    )
}

DEFAULT_LAW = "natural"
