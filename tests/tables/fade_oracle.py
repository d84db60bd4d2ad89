"""The fades of FORMAT.md written once more, to judge the compiled core by: every moment of every fade.

Arrays of control points have shape (moments, m): row j is what one track plays when the fade begins
at common knot j of the scene that is left, m counts the track's knots from there. Points 0, 1 and 2
are already in the player's window.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.tables.model import COMMON_FRAMES
from sequencer.tables.worst import Worst

Points = NDArray[np.int64]
#: Points that the window holds already when a fade begins.
_WINDOW = 3


def weight(frames_after: Points, fade_frames: int) -> Points:
    """The Q15 weight w of a fade of ``fade_frames``: 32768 at its start, 0 from its end on.

    The smooth step 10 x^3 - 15 x^4 + 6 x^5 (textbook 3-4-5 polynomial) subtracted from one.
    """
    inside = np.clip(frames_after, 0, max(fade_frames, 1))
    x = 32768 * inside // max(fade_frames, 1)
    a = x * x // 32768
    b = a * x // 32768
    w = 32768 - b * (10 * 32768 - 15 * x + 6 * a) // 32768
    w = np.where(frames_after >= fade_frames, 0, w)
    return np.where(frames_after <= 0, 32768, w).astype(np.int64)


def scaled(w: Points, d: Points) -> Points:
    """mul(w, d): the Q15 product, rounded to nearest with halves away from zero."""
    product: Points = np.sign(d) * ((w * np.abs(d) + 16384) >> 15)
    return product


def worst(points: Points) -> Worst:
    """Extremes over every row and difference of ``points`` (moments, m >= 4).

    The three points in the window count too: they are played while the transition runs.
    """
    largest = [int(np.abs(np.diff(points, n=order)).max()) for order in (1, 2, 3)]
    return Worst(int(points.min()), int(points.max()), largest[0], largest[1], largest[2])


def played(plan: TrackPlan, start: Points, length: int) -> Points:
    """Control points start .. start + length - 1 of a plan, (len(start), length).

    Loops go round; a scene has rest before its first point and after its last.
    """
    index = start[:, None] + np.arange(length)
    if plan.loop:
        around: Points = plan.points[index % len(plan.points)]
        return around
    inside = (index >= 0) & (index < len(plan.points))
    between: Points = np.where(inside, plan.points[np.clip(index, 0, len(plan.points) - 1)], plan.spec.rest)
    return between


def _moments(plan: TrackPlan) -> Points:
    """The track's knot at each common knot of the scene, (moments,)."""
    spans = len(plan.points) if plan.loop else len(plan.points) - _WINDOW
    step = COMMON_FRAMES // plan.spec.knot_frames
    return np.arange(0, spans, step, dtype=np.int64)


def _length(spec: TrackSpec, frames: int) -> int:
    """Points to watch: up to the first third difference behind a fade that ends after ``frames``."""
    return frames // spec.knot_frames + 2 * _WINDOW


def _frames_after(spec: TrackSpec, length: int, delay_frames: int = 0) -> Points:
    return (np.arange(length, dtype=np.int64) - 2) * spec.knot_frames - delay_frames


def leaving(
    left: TrackPlan, entered: TrackPlan | None, fade_frames: int, delay_frames: int, fade_in_frames: int
) -> Points:
    """Loop ``left`` fades away while ``entered`` (None: rest) begins after the delay, (moments, m).

    ``fade_in_frames`` is the entered loop's fade from rest; a scene has none and counts with 0.
    """
    spec = left.spec
    total = max(fade_frames, delay_frames + (fade_in_frames if entered is not None and entered.loop else 0))
    length = _length(spec, total)
    rest = spec.rest
    going = played(left, _moments(left), length) - rest
    points: Points = rest + scaled(weight(_frames_after(spec, length), fade_frames), going)
    if entered is None:
        return points
    delay_knots = delay_frames // spec.knot_frames
    coming = played(entered, np.array([-delay_knots], dtype=np.int64), length)[0] - rest
    if entered.loop:
        w = weight(_frames_after(spec, length, delay_frames), fade_in_frames)
        coming = np.where(np.arange(length) < delay_knots, 0, scaled(32768 - w, coming))
    both: Points = points + coming
    return both


def entering(loop: TrackPlan, fade_in_frames: int) -> Points:
    """A loop entered from rest at phase 0, (1, m)."""
    spec = loop.spec
    length = _length(spec, fade_in_frames)
    w = weight(_frames_after(spec, length), fade_in_frames)
    wanted = played(loop, np.zeros(1, dtype=np.int64), length)
    return spec.rest + scaled(32768 - w, wanted - spec.rest)


def stopping(plan: TrackPlan, stop_frames: int) -> Points:
    """The stored stop begun at each common knot of a scene or loop, (moments, m)."""
    spec = plan.spec
    length = _length(spec, stop_frames)
    wanted = played(plan, _moments(plan), length)
    steps = scaled(weight(_frames_after(spec, length), stop_frames)[_WINDOW:], np.diff(wanted[:, 2:], axis=1))
    stopped = wanted[:, 2:3] + np.cumsum(steps, axis=1)
    return np.concatenate([wanted[:, :_WINDOW], stopped], axis=1)


def settling(spec: TrackSpec, starts: Points, settle_frames: int) -> Points:
    """Rest-to-rest from each of ``starts`` (p,) to the track's rest, (p, m)."""
    length = _length(spec, settle_frames)
    w = weight(_frames_after(spec, length), settle_frames)
    return spec.rest + scaled(np.broadcast_to(w, (len(starts), length)), starts[:, None] - spec.rest)
