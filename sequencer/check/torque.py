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
#: A move is never told to take longer than this many tenths of its time: balancing is the answer then.
_SLOWEST_TENTHS = 80


def findings(figure: Figure, machine: Machine, loads: SceneLoads) -> Iterator[Finding]:
    """Where the servos of a scene cannot follow, each with a remedy that works.

    A warning: the servo lags and lets the move slur, but nothing breaks.
    """
    for load in loads.servos.values():
        needed = np.abs(load.torque_n_m)
        for at, stretch in _worst(needed - load.available_n_m, loads.motion.time_s):
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
                remedy=_remedy(machine, loads.motion, load, stretch),
            )


def _worst(over: NDArray[np.float64], time_s: NDArray[np.float64]) -> list[tuple[int, slice]]:
    """The worst moment of each stretch over the limit, and the stretch with what is around it.

    At most :data:`MOST`, in the order of time.
    """
    at = np.flatnonzero(over > 0.0)
    if at.size == 0:
        return []
    stretches = np.split(at, np.flatnonzero(np.diff(time_s[at]) > TOGETHER_S) + 1)
    around = [
        slice(*np.searchsorted(time_s, (time_s[part[0]] - TOGETHER_S, time_s[part[-1]] + TOGETHER_S)))
        for part in stretches
    ]
    peaks = [(int(part[over[part].argmax()]), near) for part, near in zip(stretches, around, strict=True)]
    worst = sorted(peaks, key=lambda found: -float(over[found[0]]))[:MOST]
    return sorted(worst, key=lambda found: found[0])


def slowed(machine: Machine, motion: Motion, load: ServoLoad, stretch: slice) -> float | None:
    """How many times as long a stretch must take for the servo to follow all of it; None: slower won't help.

    In tenths, and held against the line at every moment of the stretch. With the time k times as long
    velocities shrink by k, accelerations by k squared; gravity stays.
    """

    def fits(tenths: int) -> bool:
        slow = motion.slower(stretch, tenths / 10.0)
        torque = np.asarray(machine.servo_torque(slow.q, slow.qd, slow.qdd)[load.servo])
        limit = available_n_m(load.stall_n_m, load.no_load_rad_s, torque, slow.servo_rad_s[load.servo])
        return bool((np.abs(torque) <= limit).all())

    low, high = 10, _SLOWEST_TENTHS
    if not fits(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high / 10.0


def _remedy(machine: Machine, motion: Motion, load: ServoLoad, stretch: slice) -> str:
    times = slowed(machine, motion, load, stretch)
    balance = "balance it with a counterweight or spring, or fit a stronger servo"
    if times is None:
        return balance
    return f"give this move {times:.1f} times as long, or {balance}"


def over_available(load: ServoLoad) -> NDArray[np.float64]:
    """Needed over available torque, (n,); above 1 the servo cannot follow."""
    floor = 1e-9 * load.stall_n_m
    ratio: NDArray[np.float64] = np.abs(load.torque_n_m) / np.maximum(load.available_n_m, floor)
    return ratio
