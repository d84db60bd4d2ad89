"""Track streams: control points as adaptive Rice codes of their differences (FORMAT.md, "Track stream").

The board decodes one point a knot with shifts and adds. The code adapts by one number, ``mean``:
twice a running mean of the mapped differences that halves the past at each point, because a jaw falls
silent and starts again at once. Nothing is stored but the difference order
and the Rice parameter to begin with; both are chosen here for the fewest bits.
"""

from __future__ import annotations

from collections.abc import Sequence

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


def parameter(mean: int) -> int:
    """The Rice parameter k for a running ``mean``: the smallest with (3 << k) >= mean."""
    k = 0
    while (3 << k) < mean:
        k += 1
    return k


def adapted(mean: int, mapped: int) -> int:
    """The running mean after one more mapped difference."""
    return mean - (mean >> 1) + min(mapped, LARGEST_COUNTED)


def mapped_differences(points: NDArray[np.int64], rest: int, order: int) -> list[int]:
    """What is left of ``points`` (n,) after predicting each from the three before it, mapped to 0, 1, 2...

    The three before the first are ``rest``. e >= 0 becomes 2e, e < 0 becomes -2e - 1.
    """
    known = np.concatenate([np.full(3, rest, dtype=np.int64), points.astype(np.int64)])
    left = np.diff(known, n=order)[3 - order :]
    return [int(item) for item in np.where(left >= 0, 2 * left, -2 * left - 1)]


def _bits(mapped: Sequence[int], start: int) -> int:
    """How many bits the code takes from parameter ``start``."""
    mean, total = 2 << start, 0
    for value in mapped:
        k = parameter(mean)
        quotient = value >> k
        total += quotient + 1 + k if quotient < ESCAPE else ESCAPE + PLAIN_BITS
        mean = adapted(mean, value)
    return total


def _best_start(mapped: Sequence[int]) -> int:
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
    choices: list[tuple[int, int, int, list[int]]] = []
    for order in (1, 2, 3):
        mapped = mapped_differences(kept, rest, order)
        if max(mapped, default=0) < 1 << PLAIN_BITS:
            start = _best_start(mapped)
            choices.append((_bits(mapped, start), order, start, mapped))
    _, order, start, mapped = min(choices)
    return _written(mapped, order, start)


def _written(mapped: Sequence[int], order: int, start: int) -> bytes:
    out = bytearray([order | start << 2])
    held, count = 0, 0
    mean = 2 << start
    for value in mapped:
        k = parameter(mean)
        quotient = value >> k
        if quotient < ESCAPE:
            length = quotient + 1 + k
            code = ((1 << quotient) - 1) << (k + 1) | (value & ((1 << k) - 1))
        else:
            length = ESCAPE + PLAIN_BITS
            code = ((1 << ESCAPE) - 1) << PLAIN_BITS | value
        held = held << length | code
        count += length
        while count >= 8:
            count -= 8
            out.append(held >> count)
            held &= (1 << count) - 1
        mean = adapted(mean, value)
    if count:
        out.append(held << (8 - count))
    return bytes(out)
