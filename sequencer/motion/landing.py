"""Accents as priced rows: at its time the motion is where the author wants it, as nearly as it can be.

A row is the axis' angle (or velocity) at one moment, linear in the four control points of its span; behind a
linkage through the Jacobian at the wish, in the points of every track. It is priced, not owed: what
cannot be kept is missed by as little as possible (an exact L1 penalty; Nocedal and Wright, *Numerical
Optimization*, chapter 17).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.motion.model import TrackSpec
from sequencer.motion.problem import SpanRows
from sequencer.motion.spline import BASIS, Floats
from sequencer.timeline.model import GRID_S, Accent

#: Nearer than this the axis is there, and slower than this (a second) it rests.
THERE_RAD = math.radians(0.05)
#: To be one step nearer at an accent the motion may be off by half its range for so many knots.
PRICE_SPANS = 8.0
#: What a unit of velocity (LSB a knot) at a landing costs against one of position.
REST_SHARE = 0.25

_POWERS = np.arange(4)


@dataclass(frozen=True)
class Linear:
    """Axis angles as linear in the servos' about a wish: axis = ``offset`` + ``inverse`` servo, 1 ms grid.

    ``inverse`` (n, k, k), ``offset`` (n, k); rad.
    """

    inverse: Floats
    offset: Floats


def landing_rows(
    tracks: Sequence[TrackSpec],
    accents: Sequence[Sequence[Accent]],
    duration_s: float,
    linear: Linear | None = None,
) -> SpanRows | None:
    """The rows of the accents of each axis (``accents[axis]``) that ``tracks`` move; None without any.

    ``linear`` ties axes to servos behind a linkage; without it the track's angle is the axis'.
    """
    per_rad = np.array([spec.value_per_rad for spec in tracks])
    zero_rad = np.array([spec.value_zero for spec in tracks]) / per_rad
    # Rows count in steps of the resolution, as the objective does.
    steps_per_rad = float(np.exp(np.log(np.abs(per_rad)).mean()))
    price = PRICE_SPANS * max(spec.high - spec.low for spec in tracks)
    knot_s = tracks[0].knot_s
    spans = round(duration_s / knot_s)
    rows: list[tuple[int, Floats, float, float, float]] = []
    for axis, wanted in enumerate(accents):
        for accent in wanted:
            at = accent.time_s / knot_s
            span = min(max(math.floor(at), 0), spans - 1)
            u = min(max(at - span, 0.0), 1.0)
            mix, offset_rad = np.eye(len(tracks))[axis], 0.0
            if linear is not None:
                sample = min(max(round(accent.time_s / GRID_S), 0), len(linear.offset) - 1)
                mix, offset_rad = linear.inverse[sample, axis], float(linear.offset[sample, axis])
            ratio = mix / per_rad * steps_per_rad
            value = (accent.value_rad - offset_rad + float(mix @ zero_rad)) * steps_per_rad
            there = max(THERE_RAD * steps_per_rad, 1.0)
            rows.append((span, np.outer(BASIS @ u**_POWERS, ratio).ravel(), value, there, price))
            if accent.rest:
                slope = BASIS[:, 1:] @ (_POWERS[1:] * u ** _POWERS[:-1])
                slow = max(THERE_RAD * knot_s * steps_per_rad, 1.0)
                rows.append((span, np.outer(slope, ratio).ravel(), 0.0, slow, REST_SHARE * price))
    if not rows:
        return None
    rows.sort(key=lambda row: row[0])
    span_of, coefficients, values, rooms, prices = zip(*rows, strict=True)
    middle, room = np.array(values), np.array(rooms)
    return SpanRows(
        np.array(span_of, np.int64), np.stack(coefficients), middle - room, middle + room, np.array(prices)
    )
