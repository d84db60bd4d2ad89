"""How hard a scene is for each servo and for the supply, in numbers for the report."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from sequencer.check import heat, supply, torque
from sequencer.check.loads import SceneLoads, ServoLoad
from sequencer.figure.heat import rise_k
from sequencer.figure.model import Figure
from sequencer.kept import Kept, Same


@dataclass(frozen=True)
class ServoWork:
    """One servo in one scene. ``share`` is the worst of needed over available torque: 1 is the line."""

    servo: str
    peak_n_m: float
    share: float
    share_at_s: float
    rms_share: float
    continuous_share: float
    winding_c: float


@dataclass(frozen=True)
class SceneWork:
    """One scene: its servos, and what they draw together (starts counted in the peak), amperes."""

    servos: Mapping[str, ServoWork]
    peak_a: float
    average_a: float


def scene_work(
    figure: Figure, loads: SceneLoads, current: supply.SceneCurrent, kept: Kept | None = None
) -> SceneWork:
    """The scene's loads in a few numbers a servo; ``kept`` spares servos whose load is the very same."""
    kept = Kept() if kept is None else kept
    servos = {
        name: kept.of(
            ("work", Same(figure), Same(load), loads.loop), partial(_servo_work, figure, load, loads.loop)
        )
        for name, load in loads.servos.items()
    }
    return SceneWork(servos, current.peak_a, current.average_a)


def _servo_work(figure: Figure, load: ServoLoad, loop: bool) -> ServoWork:
    ratio = torque.over_available(load)
    worst = int(ratio.argmax())
    return ServoWork(
        servo=load.servo,
        peak_n_m=float(np.abs(load.torque_n_m).max()),
        share=float(ratio[worst]),
        share_at_s=float(load.time_s[worst]),
        rms_share=load.rms_share,
        continuous_share=figure.servos[load.servo].continuous_share,
        winding_c=heat.scene_peak_c(figure, load, loop),
    )


@dataclass(frozen=True)
class EveningWork:
    """One servo over the busiest evening: RMS torque as a share of stall, and where its winding settles."""

    servo: str
    rms_share: float
    continuous_share: float
    winding_c: float


def evening_work(
    figure: Figure, loads: Mapping[str, SceneLoads], busiest_s: Mapping[str, float]
) -> dict[str, EveningWork]:
    """Servo -> its work over an evening that gives each scene its seconds; empty when nothing is played."""
    if not any(scene in loads for scene in busiest_s):
        return {}
    evening = {}
    for name in {servo: None for scene in loads.values() for servo in scene.servos}:
        mean_square = heat.evening_mean_square(loads, busiest_s, name)
        servo = figure.servos[name]
        settles = figure.ambient_c + rise_k(figure, servo, mean_square)
        evening[name] = EveningWork(name, math.sqrt(mean_square), servo.continuous_share, settles)
    return evening
