"""Moves that leave the figure ringing, as the player plays them, and what was done about those that did."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Protocol

import numpy as np

from sequencer.check.played import PlayedScene
from sequencer.figure.linkage import Linkage
from sequencer.finding import Finding
from sequencer.motion.model import Mode, Shaping, TrackPlan, TrackSpec
from sequencer.motion.ringing import LIMIT_RAD, Path, Rest, envelopes, rests
from sequencer.motion.stilled import paths_of

#: An axis gets no more than this many warnings a scene: the worst ones.
MOST = 3
#: A move is never told to take longer than this many times its time.
SLOWEST = 4.0
_STEP = 0.1
#: A rest this near to the end of its scene could be mended by a longer scene.
NEAR_END_S = 2.0


class Moved(Protocol):
    """Tracks and the axes that they move together, both in their linkage's order."""

    @property
    def tracks(self) -> tuple[str, ...]: ...  # noqa: D102 - the class says it
    @property
    def axes(self) -> Mapping[str, object]: ...  # noqa: D102
    @property
    def linkage(self) -> Linkage | None: ...  # noqa: D102


def findings(
    specs: Mapping[str, TrackSpec],
    linkages: Iterable[Moved],
    played: PlayedScene,
    plans: Mapping[str, TrackPlan],
    frame_s: float,
) -> Iterator[Finding]:
    """A warning for each move of one scene that rings on over the limit, a note for an axis made still.

    Axes whose wobble was not filmed are not judged.
    """
    for moved in linkages:
        tracks = [specs[name] for name in moved.tracks]
        if all(spec.mode is None for spec in tracks):
            continue
        points = [played.points[name] for name in moved.tracks]
        paths = paths_of(tracks, points, played.loop, moved.linkage)
        for axis, spec, path in zip(moved.axes, tracks, paths, strict=True):
            if spec.mode is None:
                continue
            found = rests(path, spec.mode)
            over = sorted((rest for rest in found if rest.residual_rad > LIMIT_RAD), key=_residual)[-MOST:]
            for rest in sorted(over, key=lambda rest: rest.time_s):
                yield _warning(played, axis, path, spec.mode, rest, frame_s)
            shaping = plans[spec.name].shaping
            if shaping is not None and shaping.before_rad > LIMIT_RAD:
                yield _note(played.scene, axis, shaping, max(map(_residual, found), default=0.0))


def _residual(rest: Rest) -> float:
    return rest.residual_rad


def _warning(played: PlayedScene, axis: str, path: Path, mode: Mode, rest: Rest, frame_s: float) -> Finding:
    value = math.degrees(rest.residual_rad)
    times = _slowed(path, mode, rest.node)
    if times is None:
        remedy = "let the move before it end more gently, or stiffen the neck and film its wobble again"
    else:
        remedy = f"give the move before it {times:.1f} times as long"
    if not played.loop and played.frames * frame_s - rest.time_s <= NEAR_END_S:
        remedy += f", or let the scene last {2.0 / mode.frequency_hz:.1f} s longer"
    if mode.damping_typical:
        remedy += "; its damping is typical: film the wobble again and read how far it swings"
    return Finding(
        code="ringing",
        severity="warning",
        scene=played.scene,
        channel=axis,
        time_s=round(rest.time_s, 3),
        value=value,
        limit=math.degrees(LIMIT_RAD),
        unit="deg",
        message=f"{axis} comes to rest at {rest.time_s:.2f} s and wobbles on by {value:.2g} deg, "
        f"{rest.frequency_hz:.2g} times a second",
        remedy=remedy,
    )


def _slowed(path: Path, mode: Mode, node: int) -> float | None:
    """How many times as long the motion up to ``node`` must take to end still; None: slower won't help."""
    for times in np.arange(1.0 + _STEP, SLOWEST + _STEP / 2.0, _STEP):
        slower = replace(path, acceleration=path.acceleration / times**2, step_s=path.step_s * times)
        if envelopes(slower, mode)[:, node].max() <= LIMIT_RAD:
            return float(times)
    return None


def _note(scene: str, axis: str, shaping: Shaping, after_rad: float) -> Finding:
    before, after = math.degrees(shaping.before_rad), math.degrees(after_rad)
    late = (
        f"it runs {shaping.late_s * 1000.0:.0f} ms later for it"
        if shaping.late_s >= 0.01
        else "it is on time"
    )
    return Finding(
        code="ringing",
        severity="note",
        scene=scene,
        channel=axis,
        time_s=None,
        value=after,
        limit=math.degrees(LIMIT_RAD),
        unit="deg",
        message=f"{axis} would wobble on by {before:.2g} deg after a move; its motion was shaped to leave "
        f"{after:.2g} deg, {late}",
        remedy=None,
    )
