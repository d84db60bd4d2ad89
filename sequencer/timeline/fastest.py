"""The shortest time from rest to rest under limits on velocity, acceleration and jerk."""

from __future__ import annotations

import math


def fastest_s(distance: float, velocity: float, acceleration: float, jerk: float) -> float:
    """Seconds of the time-optimal rest-to-rest move over ``distance`` (any one length unit).

    The double-S profile in closed form: Biagiotti & Melchiorri 2008, *Trajectory Planning for
    Automatic Machines and Robots*, section 3.4 (from memory; checked against ruckig in the tests).
    Raises ``ValueError`` for limits that are not positive.
    """
    if not (velocity > 0 and acceleration > 0 and jerk > 0):
        raise ValueError("velocity, acceleration and jerk limits must be positive")
    d = abs(distance)
    if d == 0.0:
        return 0.0
    if velocity * jerk < acceleration**2:  # the velocity limit is met before full acceleration
        ramp = 2.0 * math.sqrt(velocity / jerk)
    else:
        ramp = acceleration / jerk + velocity / acceleration
    cruise = d / velocity - ramp
    if cruise >= 0.0:
        return 2.0 * ramp + cruise
    jerk_phase = acceleration / jerk
    ramp = jerk_phase / 2.0 + math.sqrt(jerk_phase**2 / 4.0 + d / acceleration)
    if ramp >= 2.0 * jerk_phase:
        return 2.0 * ramp
    return 4.0 * math.cbrt(d / (2.0 * jerk))
