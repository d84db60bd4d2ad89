"""Channels that collide: the figure's clearances against what is played in each scene.

What is played between scenes, and in stops, need not lie between poses that keep a clearance: see
``gaps_between.py``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from sequencer.check.report import SceneReport
from sequencer.figure.facts import toward
from sequencer.figure.model import Clearance, Figure
from sequencer.finding import Finding
from sequencer.timeline.clear import beyond
from sequencer.timeline.model import GRID_S

#: A bound is broken when it is passed by more than this, radians: what no builder can measure.
TOLERANCE_RAD = math.radians(0.05)


def findings(figure: Figure, scenes: Mapping[str, SceneReport]) -> Iterator[Finding]:
    """An error per scene and clearance that is broken, at its worst moment; scenes alone, start to end."""
    for scene in scenes.values():
        for clearance in figure.clearances.values():
            worst = worst_at(clearance, scene)
            if worst is None:
                continue
            played = float(scene.axes[clearance.channel].played_rad[worst])
            when = float(scene.axes[clearance.when].played_rad[worst])
            over_deg = math.degrees(-clearance.keep_side * (played - clearance.keep_rad))
            yield Finding(
                code="gap",
                severity="error",
                scene=scene.scene,
                channel=clearance.channel,
                time_s=round(worst * GRID_S, 3),
                value=math.degrees(played),
                limit=math.degrees(clearance.keep_rad),
                unit="deg",
                message=broken(figure, clearance, played, when),
                remedy=f"give {clearance.channel} {over_deg:.1f} deg less there, "
                f"or move {clearance.when} when {clearance.channel} is back",
            )


def worst_at(clearance: Clearance, scene: SceneReport) -> int | None:
    """The sample (1 ms grid) at which a scene breaks a clearance most; None: it keeps it."""
    played = scene.axes[clearance.channel].played_rad
    over = -clearance.keep_side * (played - clearance.keep_rad)
    over = np.where(beyond(clearance, scene.axes[clearance.when].played_rad), over, -np.inf)
    worst = int(np.argmax(over))
    return worst if over[worst] > TOLERANCE_RAD else None


def broken(figure: Figure, clearance: Clearance, channel_rad: float, when_rad: float) -> str:
    """That two channels are where a clearance does not allow them together."""
    channel, other = figure.axes[clearance.channel], figure.axes[clearance.when]
    bound = "at most" if clearance.keep_side < 0 else "at least"
    return (
        f"{clearance.channel} is at {toward(channel, channel_rad)} while {clearance.when} is at "
        f"{toward(other, when_rad)}: clearance `{clearance.name}` allows {bound} "
        f"{toward(channel, clearance.keep_rad)}"
    )
