"""The uniform cubic B-spline on integer knots: basis, Gram matrix, moments of a sampled wish.

On span i, with u = t/H - i in [0, 1), the curve is sum_j b_j(u) c[i+j], j = 0..3. A curve of K spans
needs the *extended* points, K + 3 of them: a rest plan stores them as they are, a loop stores K and
wraps. Formulas: de Boor, *A Practical Guide to Splines*, uniform knots.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Row j holds the coefficients of b_j(u) in ascending powers of u.
BASIS = (
    np.array([[1.0, -3.0, 3.0, -1.0], [4.0, 0.0, -6.0, 3.0], [1.0, 3.0, 3.0, -3.0], [0.0, 0.0, 0.0, 1.0]])
    / 6.0
)


def basis(u: Floats) -> Floats:
    """The four basis functions at ``u`` in [0, 1]; shape (len(u), 4), rows sum to 1."""
    powers: Floats = np.stack([np.ones_like(u), u, u * u, u * u * u], axis=-1)
    return powers @ BASIS.T


def extend(points: NDArray[Any], loop: bool) -> NDArray[Any]:
    """Points of K spans as K + 3 values: a loop (any K >= 1) is wrapped, a rest plan is itself."""
    if not loop:
        return points
    count = len(points)
    return points[np.arange(count + 3) % count]


def span_gram() -> Floats:
    """Gram matrix of one span, integral over u in [0, 1] of b_i b_j; shape (4, 4), exact."""
    powers = np.arange(4)
    hilbert = 1.0 / (powers[:, None] + powers[None, :] + 1.0)
    return BASIS @ hilbert @ BASIS.T


def gram_bands(spans: int) -> Floats:
    """Gram matrix of the extended basis over u in [0, spans]; lower bands, shape (4, spans + 3)."""
    local = span_gram()
    bands = np.zeros((4, spans + 3))
    for offset in range(4):
        for j in range(4 - offset):
            bands[offset, j : j + spans] += local[j, j + offset]
    return bands


def moment_weights(steps: int) -> Floats:
    """Weights turning the samples of one span into its moments; shape (steps + 1, 4).

    A span holds ``steps`` grid intervals; between samples the wish is linear. Column j gives the
    integral over u in [0, 1] of wish * b_j, exactly (degree 4; three Gauss points are exact to 5).
    """
    nodes, weights = np.polynomial.legendre.leggauss(3)
    nodes, weights = (nodes + 1.0) / 2.0, weights / 2.0 / steps
    table = np.zeros((steps + 1, 4))
    start = np.arange(steps)
    for node, weight in zip(nodes, weights, strict=True):
        values = weight * basis((start + node) / steps)
        table[:-1] += (1.0 - node) * values
        table[1:] += node * values
    return table


def moments(samples: Floats, steps: int) -> Floats:
    """Moments of the piecewise linear wish against the extended basis, in units of spans.

    ``samples`` has spans * steps + 1 values; returns shape (spans + 3,).
    """
    spans = (len(samples) - 1) // steps
    weights = moment_weights(steps)
    local = samples[:-1].reshape(spans, steps) @ weights[:-1]
    local += samples[steps::steps, None] * weights[-1]
    total = np.zeros(spans + 3)
    for j in range(4):
        total[j : j + spans] += local[:, j]
    return total


def squared_integral(samples: Floats, steps: int) -> float:
    """Integral of the squared piecewise linear wish (spans * steps + 1 samples), in units of spans."""
    left = samples[:-1].reshape(-1, steps)
    right = samples[1:].reshape(-1, steps)
    # By spans, then pairwise over them: exact enough without a copy of the samples.
    by_span = np.einsum("ij,ij->i", left, left) + np.einsum("ij,ij->i", left, right)
    return float((by_span + np.einsum("ij,ij->i", right, right)).sum()) / (3.0 * steps)
