"""Wishes that keep the figure's clearances: while one channel is beyond its angle, another keeps to its own.

"While" is a condition, not a linear limit, so it is taken from the wish: where the first channel is, or soon
will be or just was, wished beyond its angle, the other's wish is cut. What is then played is checked again.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.model import Clearance, Figure
from sequencer.timeline.model import GRID_S, Shortfall, Timeline
from sequencer.timeline.say import angle_words, clock
from sequencer.units import deg_from_rad

#: A planned motion rounds the wish's corners over about this time; the cut begins earlier and ends later.
AROUND_S = 0.3
#: The cut wish keeps this far inside, radians, so that a motion near it stays clear.
INSIDE_RAD = math.radians(0.5)
#: A channel that comes within this of the condition counts as beyond it.
NEAR_RAD = math.radians(1.0)


def beyond(clearance: Clearance, when_rad: NDArray[np.float64], near_rad: float = 0.0) -> NDArray[np.bool_]:
    """Where the condition holds: ``when_rad`` is beyond its angle, or within ``near_rad`` of it."""
    mask: NDArray[np.bool_] = clearance.when_side * (when_rad - clearance.when_rad) > -near_rad
    return mask


def keep_clear(timeline: Timeline, figure: Figure) -> Timeline:
    """The timeline with wishes cut where clearances ask for it; ``asked_rad`` stays, so that errors tell.

    An axis that the scene does not mention is at home all along.
    """
    axes = dict(timeline.axes)
    told = list(timeline.shortfalls)
    samples = round(timeline.duration_s / GRID_S) + 1
    for clearance in figure.clearances.values():
        channel = axes.get(clearance.channel)
        if channel is None:
            continue  # it rests at home, which keeps every clearance or the file would have been refused
        when = axes.get(clearance.when)
        home = np.full(samples, figure.axes[clearance.when].home_rad)
        mask = _around(beyond(clearance, home if when is None else when.wish_rad, NEAR_RAD), timeline.loop)
        axis = figure.axes[clearance.channel]
        allowed = clearance.keep_rad + clearance.keep_side * INSIDE_RAD
        # Never past home: a bound at home itself has no room inside.
        if clearance.keep_side * (axis.home_rad - allowed) < 0.0:
            allowed = clearance.keep_rad
        wish = channel.wish_rad.copy()
        cut = np.minimum if clearance.keep_side < 0 else np.maximum
        wish[mask] = cut(wish[mask], allowed)
        changed = np.flatnonzero(wish != channel.wish_rad)
        if len(changed) == 0:
            continue
        # An accent that would have the channel beyond the clearance is none any more.
        accents = tuple(
            accent
            for accent in channel.accents
            if not mask[min(round(accent.time_s / GRID_S), samples - 1)]
            or clearance.keep_side * (allowed - accent.value_rad) >= 0.0
        )
        axes[clearance.channel] = replace(channel, wish_rad=wish, accents=accents)
        told.append(_cut_short(clearance, figure, channel.wish_rad, changed))
    return replace(timeline, axes=axes, shortfalls=tuple(told))


def _cut_short(
    clearance: Clearance, figure: Figure, wish_rad: NDArray[np.float64], changed: NDArray[np.intp]
) -> Shortfall:
    """What the scene wished at the samples that were cut, at its worst, and what it gets instead."""
    axis, other = figure.axes[clearance.channel], figure.axes[clearance.when]
    asked = wish_rad[changed]
    worst = float(asked.max() if clearance.keep_side < 0 else asked.min())
    begin_s, end_s = float(changed[0] * GRID_S), float(changed[-1] * GRID_S)
    keeps, least = angle_words(axis, clearance.keep_rad), "at most" if clearance.keep_side < 0 else "at least"
    beyond_words = "above" if clearance.when_side > 0 else "below"
    condition = f"{other.name} is {beyond_words} {deg_from_rad(clearance.when_rad):g} deg"
    return Shortfall(
        code="reach",
        channel=axis.name,
        time_s=begin_s,
        line=0,  # of the figure file's making, not of one line of the scene
        value=deg_from_rad(worst),
        limit=deg_from_rad(clearance.keep_rad),
        unit="deg",
        message=f"{angle_words(axis, worst)} is asked between {clock(begin_s)} and {clock(end_s)}; "
        f"while {condition} it keeps to {keeps} (clearance `{clearance.name}`)",
        remedy=f"ask for {least} {keeps} while {condition}, or move {other.name} at another time",
        severity="note",
    )


def _around(mask: NDArray[np.bool_], loop: bool) -> NDArray[np.bool_]:
    """The mask widened to both sides, round the seam of a loop."""
    reach = round(AROUND_S / GRID_S)
    if not mask.any():
        return mask
    padded = np.pad(mask[:-1], reach, mode="wrap") if loop else np.pad(mask, reach)
    counts = np.concatenate([[0], np.cumsum(padded)])
    wide: NDArray[np.bool_] = counts[2 * reach + 1 :] > counts[: -2 * reach - 1]
    return np.append(wide, wide[0]) if loop else wide
