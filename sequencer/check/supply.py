"""What all servos together draw from their supply while a scene plays."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.check.loads import SceneLoads
from sequencer.figure.current import no_load_a
from sequencer.figure.electric import supply_for
from sequencer.figure.heat import stall_current_a
from sequencer.figure.model import Figure
from sequencer.finding import Finding

Array = NDArray[np.float64]
#: A servo that sets off pulls its stall current for about this long, until its motor turns (typical).
START_S = 0.06
#: Slower than this share of its no-load speed a servo is at rest.
REST_SHARE = 0.002


@dataclass(frozen=True)
class SceneCurrent:
    """Amperes over a scene, (n,) at ``time_s``: what the torque takes, and with the starts on top.

    ``starting`` names the servos that set off together at the worst moment.
    """

    scene: str
    time_s: Array
    running_a: Array
    with_starts_a: Array
    starting: tuple[str, ...]

    @property
    def peak_a(self) -> float:
        """The worst moment, starts included."""
        return float(self.with_starts_a.max())

    @property
    def average_a(self) -> float:
        """The mean of what the torque takes."""
        return float(self.running_a.mean())


def scene_current(figure: Figure, loads: SceneLoads) -> SceneCurrent:
    """Current over time: torque over stall torque times stall current, and a little for turning alone.

    The motor's current is counted as the supply's (at part load the servo's own switching makes it
    less). A servo that sets off from rest is given its stall current for :data:`START_S`.
    """
    time_s = loads.motion.time_s
    running, started, setting_off = np.zeros(len(time_s)), np.zeros(len(time_s)), {}
    for name, load in loads.servos.items():
        stalled = stall_current_a(figure, figure.servos[name])
        turning = no_load_a(figure, name) * np.abs(load.speed_rad_s) / load.no_load_rad_s
        own = np.minimum(stalled, stalled * np.abs(load.shares) + turning)
        off = _starts(load.speed_rad_s, load.no_load_rad_s, time_s)
        running += own
        started += np.where(off, stalled, own)
        setting_off[name] = off
    worst = int(started.argmax()) if len(started) else 0
    names = tuple(name for name, off in setting_off.items() if off[worst])
    return SceneCurrent(loads.scene, time_s, running, started, names)


def _starts(speed: Array, no_load_rad_s: float, time_s: Array) -> NDArray[np.bool_]:
    """Where a servo is setting off from rest: for :data:`START_S` from its first movement."""
    moving = np.abs(speed) > REST_SHARE * no_load_rad_s
    first = np.flatnonzero(moving[1:] & ~moving[:-1]) + 1
    steps = max(1, round(START_S / float(time_s[1] - time_s[0]))) if len(time_s) > 1 else 1
    off = np.zeros(len(speed), dtype=bool)
    for index in first.tolist():
        off[index : index + steps] = True
    return off


def findings(figure: Figure, current: SceneCurrent) -> Iterator[Finding]:
    """A scene that asks for more than the supply gives; a warning: the rail sags and servos twitch."""
    rating = figure.supply.rating_a
    running = float(current.running_a.max())
    if running > rating:
        at = int(current.running_a.argmax())
        value, why = running, "the moves alone"
        remedy = f"fit a supply of {supply_for(current.peak_a):g} A, or let the moves take longer"
    elif current.peak_a > rating:
        at = int(current.with_starts_a.argmax())
        value, why = current.peak_a, f"{_listed(current.starting)} set off together and"
        remedy = (
            f"let one of them start {math.ceil(START_S * 10) / 10:.1f} s later, "
            f"or fit a supply of {supply_for(current.peak_a):g} A"
        )
    else:
        return
    yield Finding(
        code="supply",
        severity="warning",
        scene=current.scene,
        channel=None,
        time_s=round(float(current.time_s[at]), 3),
        value=value,
        limit=rating,
        unit="A",
        message=f"{why} draw {value:.1f} A; the supply gives {rating:g} A, so that its voltage sags and "
        "servos twitch",
        remedy=remedy,
    )


def _listed(names: tuple[str, ...]) -> str:
    return " and ".join(names) if len(names) < 3 else f"{', '.join(names[:-1])} and {names[-1]}"
