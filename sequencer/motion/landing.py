"""Accents as priced rows: at its time the motion is where the author wants it, as nearly as it can be.

A row is the axis' angle (or velocity) at one moment, linear in the four control points of its span; behind a
linkage through the Jacobian at the wish, in the points of every track. It is priced, not owed: what
cannot be kept is missed by as little as possible (an exact L1 penalty; Nocedal and Wright, *Numerical
Optimization*, chapter 17).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.motion.linked import Linkage
from sequencer.motion.model import TrackSpec
from sequencer.motion.pair import pose_weight
from sequencer.motion.problem import SpanRows
from sequencer.motion.spline import BASIS, Floats
from sequencer.timeline.laws import DEFAULT_LAW, LAWS
from sequencer.timeline.model import GRID_S, Accent, Timeline

#: Nearer than this the axis is there, and slower than this (a second) it rests.
THERE_RAD = math.radians(0.05)
#: To be one step nearer at an accent the motion may be off by its whole range for this many times as long
#: as it takes to cross it: more than any way there and back costs, so what can be kept is kept.
PRICE_CROSSINGS = 4.0
#: What a unit of velocity (LSB a knot) at a landing costs against one of position.
REST_SHARE = 0.25

_POWERS = np.arange(4)


@dataclass(frozen=True)
class _Wanted:
    """One accent of one axis of a linkage, the axis linear in the servos there: offset + mix . servo, rad."""

    accent: Accent
    mix: Floats
    offset: float


def landing_rows(
    timeline: Timeline, linkage: Linkage | None, tracks: Sequence[TrackSpec], pose_rad: Floats | None = None
) -> SpanRows | None:
    """The rows of all accents of the axes that ``tracks`` move, in LSB; None without any.

    Behind a ``linkage`` its axes are linear in its servos about ``pose_rad`` (n, k), the wish on the 1 ms
    grid. Without one the one track has its axis's angle.
    """
    per_rad = np.array([spec.value_per_rad for spec in tracks])
    zero_rad = np.array([spec.value_zero for spec in tracks]) / per_rad
    # Rows count in steps of the resolution, as the objective does.
    steps_per_rad = float(np.exp(np.log(np.abs(per_rad)).mean()))
    price = PRICE_CROSSINGS * max(2.0 * (spec.high - spec.low) * _crossing_spans(spec) for spec in tracks)
    there = max(THERE_RAD * steps_per_rad, 1.0)
    knot_s = tracks[0].knot_s
    spans = round(timeline.duration_s / knot_s)
    rows: list[tuple[int, Floats, float, float, float]] = []
    for wanted in _wanted(timeline, linkage, tracks, pose_rad):
        at = wanted.accent.time_s / knot_s
        span = min(max(math.floor(at), 0), spans - 1)
        u = min(max(at - span, 0.0), 1.0)
        ratio = wanted.mix / per_rad * steps_per_rad
        value = (wanted.accent.value_rad - wanted.offset + float(wanted.mix @ zero_rad)) * steps_per_rad
        rows.append((span, np.outer(BASIS @ u**_POWERS, ratio).ravel(), value, there, price))
        if wanted.accent.rest:
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


def _crossing_spans(spec: TrackSpec) -> float:
    """How many knots a move across the whole range takes."""
    law = LAWS[DEFAULT_LAW]
    return law.shortest_s(spec.high - spec.low, *(float(bound) for bound in spec.bounds))


def joined(one: SpanRows | None, other: SpanRows | None) -> SpanRows | None:
    """All rows of both, in the order of their spans."""
    if one is None or other is None:
        return other if one is None else one
    span = np.concatenate([one.span, other.span])
    order = np.argsort(span, kind="stable")
    return SpanRows(
        span[order],
        np.concatenate([one.coefficients, other.coefficients])[order],
        np.concatenate([one.low, other.low])[order],
        np.concatenate([one.high, other.high])[order],
        np.concatenate([one.price, other.price])[order],
    )


def _wanted(
    timeline: Timeline, linkage: Linkage | None, tracks: Sequence[TrackSpec], pose_rad: Floats | None
) -> Iterator[_Wanted]:
    for column, axis in enumerate((tracks[0].axis,) if linkage is None else linkage.axes):
        wish = timeline.axes.get(axis)
        accents = () if wish is None else wish.accents
        if not accents:
            continue
        if linkage is None or pose_rad is None:
            yield from (_Wanted(accent, np.ones(1), 0.0) for accent in accents)
            continue
        samples = [min(round(accent.time_s / GRID_S), len(pose_rad) - 1) for accent in accents]
        pose = pose_rad[samples]
        jacobian = linkage.jacobian(pose)
        # J' (J^-1)' J^-1 = J^-1; a toggle is refused there.
        mixes = (jacobian.transpose(0, 2, 1) @ pose_weight(jacobian))[:, column]
        offsets = pose[:, column] - np.einsum("ni,ni->n", mixes, linkage.servo_rad(pose))
        for accent, mix, offset in zip(accents, mixes, offsets, strict=True):
            yield _Wanted(accent, mix, float(offset))
