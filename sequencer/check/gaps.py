"""Channels that collide: the figure's clearances against what is played."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from sequencer.check.report import SceneReport
from sequencer.figure.facts import toward
from sequencer.figure.model import Figure
from sequencer.finding import Finding
from sequencer.timeline.clear import beyond
from sequencer.timeline.model import GRID_S

#: A bound is broken when it is passed by more than this, radians: what no builder can measure.
TOLERANCE_RAD = math.radians(0.05)


def findings(figure: Figure, scenes: Mapping[str, SceneReport]) -> Iterator[Finding]:
    """An error per scene and clearance that is broken, at its worst moment.

    Scenes are looked at from start to end; fades into and out of idle loops lie between poses of both.
    """
    for scene in scenes.values():
        for clearance in figure.clearances.values():
            played = scene.axes[clearance.channel].played_rad
            when = scene.axes[clearance.when].played_rad
            over = -clearance.keep_side * (played - clearance.keep_rad)
            over = np.where(beyond(clearance, when), over, -np.inf)
            worst = int(np.argmax(over))
            if over[worst] <= TOLERANCE_RAD:
                continue
            channel, other = figure.axes[clearance.channel], figure.axes[clearance.when]
            bound = "at most" if clearance.keep_side < 0 else "at least"
            yield Finding(
                code="gap",
                severity="error",
                scene=scene.scene,
                channel=clearance.channel,
                time_s=round(worst * GRID_S, 3),
                value=math.degrees(float(played[worst])),
                limit=math.degrees(clearance.keep_rad),
                unit="deg",
                message=f"{clearance.channel} is at {toward(channel, float(played[worst]))} while "
                f"{clearance.when} is at {toward(other, float(when[worst]))}: clearance `{clearance.name}` "
                f"allows {bound} {toward(channel, clearance.keep_rad)}",
                remedy=f"give {clearance.channel} {math.degrees(float(over[worst])):.1f} deg less there, "
                f"or move {clearance.when} when {clearance.channel} is back",
            )
