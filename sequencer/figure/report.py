"""``figure --json``: the sheet's numbers as the contract's object (schema 1)."""

from __future__ import annotations

import math
from typing import Any

from sequencer.figure.current import draw
from sequencer.figure.drives import axes_of
from sequencer.figure.facts import Facts
from sequencer.figure.limits import outer_limits
from sequencer.figure.model import Limits


def as_json(known: Facts) -> dict[str, Any]:
    """The contract's object. An axis that cannot be held has limits of zero and says why in ``limited_by``.

    ``limit`` is what an axis never exceeds, as in ``check --json``. ``stall_torque_n_m`` and
    ``no_load_speed_deg_s`` are the datasheet's, at its own voltage and not derated; ``torque_margin`` is
    1 - (gravity + friction) / stall torque of the axis that the servo drives, derated and at the
    supply's voltage: 1 is free, 0 and less cannot hold.
    """
    figure = known.figure
    amps = draw(figure, known.physics)
    driven = {servo: axes_of(figure, servo) for servo in figure.servos}
    stuck = {
        finding.channel: finding.message
        for finding in known.findings
        if finding.code == "torque" and finding.severity == "error"
    }
    axes: dict[str, Any] = {}
    for name in figure.axes:
        if name in known.limits:
            limit = outer_limits(figure, name, known.physics[name])
        else:
            why = stuck.get(name, "torque")
            limit = Limits(0.0, 0.0, 0.0, dict.fromkeys(("velocity", "acceleration", "jerk"), why))
        axes[name] = {
            "inertia_kg_m2": known.physics[name].inertia_kg_m2,
            "gravity_torque_n_m": known.physics[name].gravity_torque_n_m,
            "limit": {
                "velocity_deg_s": math.degrees(limit.velocity_rad_s),
                "acceleration_deg_s2": math.degrees(limit.acceleration_rad_s2),
                "jerk_deg_s3": math.degrees(limit.jerk_rad_s3),
            },
            "limited_by": dict(limit.why),
        }
    said = {
        "schema": 1,
        "figure": figure.name,
        "axes": axes,
        "servos": {
            name: {
                "stall_torque_n_m": servo.stall_torque_n_m,
                "no_load_speed_deg_s": math.degrees(servo.no_load_speed_rad_s),
                "torque_margin": min(
                    (known.physics[axis].torque_margin for axis in driven[name]), default=1.0
                ),
            }
            for name, servo in figure.servos.items()
        },
        "supply": {"peak_a": amps.peak_a, "average_a": amps.average_a, "rating_a": amps.rating_a},
        "findings": [finding.as_json() for finding in known.findings],
    }
    return {key: without_minus_zero(value) for key, value in said.items()}


def without_minus_zero(said: Any) -> Any:
    """The same object with 0 for every -0.0, which readers in other languages print as they find it."""
    if isinstance(said, dict):
        return {key: without_minus_zero(value) for key, value in said.items()}
    if isinstance(said, list):
        return [without_minus_zero(value) for value in said]
    return 0.0 if isinstance(said, float) and said == 0.0 else said
