"""What a scene, and an evening of scenes, does to the servos' windings."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from sequencer.check.loads import SceneLoads, ServoLoad
from sequencer.figure import heat
from sequencer.figure.model import Figure
from sequencer.finding import Finding

#: The hottest second of a scene is looked for with a window this long.
_WINDOW_S = 1.0


def evening_mean_square(loads: Mapping[str, SceneLoads], seconds: Mapping[str, float], servo: str) -> float:
    """Mean of (torque / stall)^2 of one servo over an evening that gives each scene its ``seconds``.

    Scenes of which nothing is known count as rest.
    """
    total = math.fsum(
        time_s * loads[scene].servos[servo].rms_share ** 2
        for scene, time_s in seconds.items()
        if scene in loads
    )
    return total / math.fsum(seconds.values())


def scene_peak_c(figure: Figure, load: ServoLoad, loop: bool) -> float:
    """The winding's highest temperature: in a loop when it has gone on for ever, else from cold, once."""
    servo = figure.servos[load.servo]
    step_s = float(load.time_s[1] - load.time_s[0])
    start = figure.ambient_c + (heat.rise_k(figure, servo, load.rms_share**2) if loop else 0.0)
    return float(heat.winding_c(figure, servo, load.shares, step_s, start).max())


def findings(
    figure: Figure, loads: Mapping[str, SceneLoads], busiest_s: Mapping[str, float]
) -> Iterator[Finding]:
    """Servos that work harder than they can for long: scene by scene, and over the busiest evening.

    ``busiest_s`` maps scenes to seconds in one round of that evening; empty when nothing is played.
    """
    for scene in loads.values():
        for name, load in scene.servos.items():
            rating = figure.servos[name].continuous_share
            if load.rms_share <= rating:
                continue
            repeated = heat.time_to_s(figure, figure.servos[name], load.rms_share)
            lasting = (
                f"repeated without a pause it brings the winding to {heat.LIMIT_C:g} C in about "
                f"{repeated:.0f} s"
                if math.isfinite(repeated)
                else f"the winding stays below {heat.LIMIT_C:g} C by the model"
            )
            yield Finding(
                code="heat",
                severity="warning" if scene.loop else "note",
                scene=scene.scene,
                channel=name,
                time_s=round(hottest_s(load), 3),
                value=100.0 * load.rms_share,
                limit=100.0 * rating,
                unit="% of stall",
                message=f"servo `{name}` gives {100 * load.rms_share:.0f} % of its stall torque (RMS over "
                f"the scene), more than the {100 * rating:.0f} % it holds for long "
                f"({figure.servos[name].continuous_basis}, common practice 20-50 %); {lasting} (typical)",
                remedy="balance what it carries, rest between the moves, or fit a stronger servo",
            )
    if not busiest_s:
        return
    for name, servo in figure.servos.items():
        if not any(name in scene.servos for scene in loads.values()):
            continue
        mean_square = evening_mean_square(loads, busiest_s, name)
        final = figure.ambient_c + heat.rise_k(figure, servo, mean_square)
        share = math.sqrt(mean_square)
        if share > servo.continuous_share or final > heat.LIMIT_C:
            hot = final > heat.LIMIT_C
            yield Finding(
                code="heat",
                severity="warning",
                scene=None,
                channel=name,
                time_s=None,
                value=final if hot else 100.0 * share,
                limit=heat.LIMIT_C if hot else 100.0 * servo.continuous_share,
                unit="C" if hot else "% of stall",
                message=f"on the busiest evening that the triggers allow servo `{name}` gives "
                f"{100 * share:.0f} % of its stall torque (RMS) and its winding comes to about {final:.0f} C "
                "(typical values)",
                remedy="lengthen cooldown_s in event.toml, balance what it carries, or let air through the "
                "head",
            )


def hottest_s(load: ServoLoad) -> float:
    """When the hardest second of a scene is in its middle."""
    squares: NDArray[np.float64] = load.shares**2
    width = max(1, min(len(squares), round(_WINDOW_S / float(load.time_s[1] - load.time_s[0]))))
    sums = np.concatenate([[0.0], np.cumsum(squares)])
    means = sums[width:] - sums[:-width]
    return float(load.time_s[int(means.argmax())]) + 0.5 * width * float(load.time_s[1] - load.time_s[0])
