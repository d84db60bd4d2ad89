"""Track streams: control points as adaptive Rice codes of their differences (FORMAT.md, "Track stream").

The board decodes one point a knot with shifts and adds. The code adapts by one number, ``mean``:
twice a running mean of the mapped differences that halves the past at each point, because a jaw falls
silent and starts again at once. Nothing is stored but the difference order
and the Rice parameter to begin with; both are chosen here for the fewest bits.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

#: Most one bits of a quotient; that many mean that the number follows plainly.
ESCAPE = 20
#: Bits of a number written plainly.
PLAIN_BITS = 18
#: The largest Rice parameter to begin with.
LARGEST_START = 11
#: A mapped difference counts for at most this much in the mean, so that ``mean`` stays 16 bits wide.
LARGEST_COUNTED = 4095
#: The parameter to begin with is chosen by this many points; the code has forgotten it by then.
_TRIAL_POINTS = 64
#: (3 << k) for every parameter that a mean can call for.
_THREES = 3 << np.arange(16, dtype=np.int64)


def parameter(mean: int) -> int:
    """The Rice parameter k for a running ``mean``: the smallest with (3 << k) >= mean."""
    k = 0
    while (3 << k) < mean:
        k += 1
    return k


def mapped_differences(points: NDArray[np.int64], rest: int, order: int) -> NDArray[np.int64]:
    """What is left of ``points`` (n,) after predicting each from the three before it, mapped to 0, 1, 2...

    The three before the first are ``rest``. e >= 0 becomes 2e, e < 0 becomes -2e - 1.
    """
    known = np.concatenate([np.full(3, rest, dtype=np.int64), points.astype(np.int64)])
    left = np.diff(known, n=order)[3 - order :]
    return np.where(left >= 0, 2 * left, -2 * left - 1)


def _parameters(mapped: NDArray[np.int64], start: int) -> NDArray[np.int64]:
    """The Rice parameter (n,) of every number when the code begins with ``start``."""
    counted = np.minimum(mapped, LARGEST_COUNTED).tolist()
    means = itertools.accumulate(counted, lambda mean, item: mean - (mean >> 1) + item, initial=2 << start)
    before = np.fromiter(means, np.int64, len(counted) + 1)[:-1]
    return np.searchsorted(_THREES, before).astype(np.int64)


def _lengths(mapped: NDArray[np.int64], parameters: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many bits each number takes."""
    quotient = mapped >> parameters
    return np.where(quotient < ESCAPE, quotient + 1 + parameters, ESCAPE + PLAIN_BITS)


def _bits(mapped: NDArray[np.int64], start: int) -> int:
    """How many bits the code takes from parameter ``start``."""
    return int(_lengths(mapped, _parameters(mapped, start)).sum())


def _best_start(mapped: NDArray[np.int64]) -> int:
    trial = mapped[:_TRIAL_POINTS]
    return min(range(LARGEST_START + 1), key=lambda start: _bits(trial, start))


def stored_points(points: NDArray[np.int64], loop: bool) -> NDArray[np.int64]:
    """The points a stream holds: all of a loop's; of a scene's (n = K + 3) those that are not rest by rule.

    Raises:
        ValueError: a scene whose first or last three points differ from one another.
    """
    if loop:
        return points
    if len(points) < 4 or np.ptp(points[:3]) or np.ptp(points[-3:]) or points[0] != points[-1]:
        raise ValueError("a scene's track must begin and end with three equal points at rest")
    return points[3:-3]


def encode_track(points: NDArray[np.int64], rest: int, loop: bool) -> bytes:
    """One track in one scene as FORMAT.md's stream.

    Args:
        points: control points in LSB, (K + 3,) for a scene of K spans, (K,) for a loop.
        rest: the track's rest value; a scene's first and last three points equal it.
        loop: whether the scene is cyclic.

    Returns:
        The bytes of the stream, in the order and from the parameter that need the fewest bits.

    Raises:
        ValueError: points outside 16 bits, or a scene that does not begin and end at ``rest``.
    """
    kept = stored_points(np.asarray(points, dtype=np.int64), loop)
    if not loop and points[0] != rest:
        raise ValueError(f"the track begins at {points[0]}, not at its rest value {rest}")
    if len(kept) and (kept.min() < -32768 or kept.max() > 32767):
        raise ValueError("a control point does not fit 16 bits")
    choices: list[tuple[int, int, int]] = []
    parameters: dict[int, NDArray[np.int64]] = {}
    numbers = {order: mapped_differences(kept, rest, order) for order in (1, 2, 3)}
    for order, mapped in numbers.items():
        if mapped.max(initial=0) < 1 << PLAIN_BITS:
            start = _best_start(mapped)
            parameters[order] = _parameters(mapped, start)
            choices.append((int(_lengths(mapped, parameters[order]).sum()), order, start))
    _, order, start = min(choices)
    return bytes([order | start << 2]) + _written(numbers[order], parameters[order])


def _written(mapped: NDArray[np.int64], parameters: NDArray[np.int64]) -> bytes:
    lengths = _lengths(mapped, parameters)
    quotient = np.minimum(mapped >> parameters, ESCAPE)
    coded = quotient < ESCAPE
    ones = (np.int64(1) << quotient) - 1
    code = np.where(
        coded,
        ones << (parameters + 1) | mapped & ((np.int64(1) << parameters) - 1),
        ones << PLAIN_BITS | mapped,
    )
    # Every bit of the stream: of which number it is, and how many of that number follow it.
    number = np.repeat(np.arange(len(mapped)), lengths)
    behind = np.cumsum(lengths)[number] - 1 - np.arange(len(number))
    bits = (code[number] >> behind & 1).astype(np.uint8)
    return np.packbits(bits).tobytes()
