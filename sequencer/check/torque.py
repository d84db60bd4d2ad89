"""Moments in a played scene at which a servo needs more torque than its torque-speed line gives."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sequencer.check.loads import Machine, Motion, SceneLoads, ServoLoad, available_n_m
from sequencer.figure.drives import axes_of
from sequencer.figure.model import Figure
from sequencer.finding import Finding
from sequencer.units import kgcm_from_n_m

#: Moments this near to each other are told as one, at its worst.
TOGETHER_S = 0.5
#: A servo gets no more than this many findings a scene: the worst ones.
MOST = 3
#: A move is never told to take longer than this many times its time: balancing is the answer then.
_SLOWEST = 8.0


def findings(figure: Figure, machine: Machine, loads: SceneLoads) -> Iterator[Finding]:
    """Where the servos of a scene cannot follow, each with a remedy that works.

    A warning: the servo lags and lets the move slur, but nothing breaks.
    """
    for load in loads.servos.values():
        needed = np.abs(load.torque_n_m)
        for at in _worst(needed - load.available_n_m, loads.motion.time_s):
            value, limit = kgcm_from_n_m(float(needed[at])), kgcm_from_n_m(float(load.available_n_m[at]))
            what = " and ".join(axes_of(figure, load.servo)) or load.servo
            yield Finding(
                code="torque",
                severity="warning",
                scene=loads.scene,
                channel=load.servo,
                time_s=round(float(load.time_s[at]), 3),
                value=value,
                limit=limit,
                unit="kg cm",
                message=f"{what}: the move needs {value:.1f} kg cm of servo `{load.servo}`, which has "
                f"{limit:.1f} left at {math.degrees(abs(float(load.speed_rad_s[at]))):.0f} deg/s; "
                "it will lag behind",
                remedy=_remedy(machine, loads.motion, load, at),
            )


def _worst(over: NDArray[np.float64], time_s: NDArray[np.float64]) -> list[int]:
    """The worst moment of each stretch over the limit, at most :data:`MOST`, in the order of time."""
    at = np.flatnonzero(over > 0.0)
    if at.size == 0:
        return []
    stretches = np.split(at, np.flatnonzero(np.diff(time_s[at]) > TOGETHER_S) + 1)
    peaks = [int(part[over[part].argmax()]) for part in stretches]
    return sorted(sorted(peaks, key=lambda index: -float(over[index]))[:MOST])


def slowed(machine: Machine, motion: Motion, load: ServoLoad, at: int) -> float | None:
    """How many times as long the move at ``at`` must take for the servo to follow; None: slower won't help.

    With the time k times as long velocities shrink by k, accelerations by k squared; gravity stays.
    """

    def fits(times: float) -> bool:
        moment = motion.slower(at, times)
        torque = np.asarray(machine.servo_torque(moment.q, moment.qd, moment.qdd)[load.servo])
        limit = available_n_m(load.stall_n_m, load.no_load_rad_s, torque, moment.servo_rad_s[load.servo])
        return bool(abs(torque[0]) <= limit[0])

    if not fits(_SLOWEST):
        return None
    low, high = 1.0, _SLOWEST
    while high - low > 0.01:
        middle = (low + high) / 2.0
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high


def _remedy(machine: Machine, motion: Motion, load: ServoLoad, at: int) -> str:
    times = slowed(machine, motion, load, at)
    balance = "balance it with a counterweight or spring, or fit a stronger servo"
    if times is None:
        return balance
    return f"give this move {math.ceil(times * 10.0) / 10.0:.1f} times as long, or {balance}"


def over_available(load: ServoLoad) -> NDArray[np.float64]:
    """Needed over available torque, (n,); above 1 the servo cannot follow."""
    floor = 1e-9 * load.stall_n_m
    ratio: NDArray[np.float64] = np.abs(load.torque_n_m) / np.maximum(load.available_n_m, floor)
    return ratio
