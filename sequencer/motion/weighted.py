"""The weighted squared error of splines against a sampled wish, exactly.

Between two samples the wish is linear and the weight constant (the mean of both samples' weights), so
the integral of e' W e over a grid interval is a polynomial's: Gram matrix, moments and constant below
all come from the same quadrature, and the form stays non-negative whatever the weights. ``tracks``
splines share knots; their points are interleaved, value j * tracks + i is point j of track i.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from sequencer.motion.spline import Floats, basis


@lru_cache(maxsize=16)
def _interval_tables(steps: int) -> tuple[Floats, Floats, Floats]:
    """Per grid interval of a span: Gram (steps, 4, 4), moments against the left and right sample (steps, 4).

    Four Gauss points are exact to degree 7; the Gram matrix has degree 6.
    """
    nodes, weights = np.polynomial.legendre.leggauss(4)
    nodes, weights = (nodes + 1.0) / 2.0, weights / 2.0 / steps
    gram, left, right = np.zeros((steps, 4, 4)), np.zeros((steps, 4)), np.zeros((steps, 4))
    start = np.arange(steps)
    for node, weight in zip(nodes, weights, strict=True):
        values = basis((start + node) / steps)
        gram += weight * values[:, :, None] * values[:, None, :]
        left += weight * (1.0 - node) * values
        right += weight * node * values
    return gram, left, right


#: Weights are divided by their mean to about one such step.
_NORM_STEP = 1.02


def common_weight(mean: float) -> float:
    """What weights of this ``mean`` are divided by: nearly the mean, so that they are about 1.

    It keeps to a few steps, so that an edit of one moment seldom changes what every other one weighs.
    """
    return _NORM_STEP ** round(math.log(mean) / math.log(_NORM_STEP))


def interval_weights(samples: Floats) -> Floats:
    """Weights of the grid intervals from those of the samples (n + 1, ...): the means, (n, ...)."""
    return 0.5 * (samples[:-1] + samples[1:])


def weighted_gram(weight: Floats, steps: int) -> Floats:
    """Lower bands (4 tracks, (K + 3) tracks) of the quadratic form, in units of spans.

    ``weight`` has shape (K * steps, tracks, tracks), symmetric.
    """
    tracks = weight.shape[1]
    spans = len(weight) // steps
    gram, _, _ = _interval_tables(steps)
    by_span = weight.reshape(spans, steps, tracks * tracks).transpose(2, 0, 1)
    local = (by_span @ gram.reshape(steps, 16)).reshape(tracks, tracks, spans, 4, 4)
    bands = np.zeros((4 * tracks, (spans + 3) * tracks))
    for row in range(tracks):
        for column in range(tracks):
            for j in range(4):
                for i in range(4):
                    offset = (i - j) * tracks + row - column
                    if offset >= 0:
                        first = j * tracks + column
                        bands[offset, first : first + spans * tracks : tracks] += local[row, column, :, i, j]
    return bands


def weighted_moments(samples: Floats, weight: Floats, steps: int) -> Floats:
    """Integral of basis * W * wish over the extended points, interleaved, in units of spans.

    ``samples`` (K * steps + 1, tracks), ``weight`` as in :func:`weighted_gram`.
    """
    tracks = weight.shape[1]
    spans = len(weight) // steps
    _, left, right = _interval_tables(steps)
    local = np.zeros((spans, 4, tracks))
    for values, table in ((samples[:-1], left), (samples[1:], right)):
        pulled = np.einsum("nab,nb->na", weight, values).reshape(spans, steps, tracks)
        local += np.einsum("kst,sj->kjt", pulled, table)
    total = np.zeros((spans + 3, tracks))
    for j in range(4):
        total[j : j + spans] += local[:, j]
    return total.ravel()


def weighted_square(samples: Floats, weight: Floats, steps: int) -> float:
    """Integral of wish' W wish in units of spans; arguments as in :func:`weighted_moments`."""
    one, other = samples[:-1], samples[1:]
    pulled_one = np.einsum("nab,nb->na", weight, one)
    pulled_other = np.einsum("nab,nb->na", weight, other)
    total = (one * pulled_one).sum() + (one * pulled_other).sum() + (other * pulled_other).sum()
    return float(total) / (3.0 * steps)


def smallest_eigenvalue(weight: Floats) -> float:
    """The least eigenvalue of all weights (n, tracks, tracks): the form's strong convexity."""
    return float(np.linalg.eigvalsh(weight).min())
