"""The outer constant limits of tracks that are planned with torque: what their servos could at most give.

Constant limits (:mod:`.limits`) promise the worst of everything at once. A motion that is bounded by the
torque-speed line itself needs only to know where that line ends: no-load speed less what friction takes,
and the acceleration of a servo at stall torque that gravity helps as much as it ever can. The ramp stays,
for the neck's sake: top speed is not reached within less, and jerk is acceleration over the ramp.
"""

from __future__ import annotations

from sequencer.figure.drives import track_of
from sequencer.figure.limits import ramp
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Figure, Limits
from sequencer.figure.torque import torque_rows


def most_limits(figure: Figure, linkage: Linkage) -> list[Limits]:
    """Outer limits of the tracks of a linkage in track radians, in the order of its servos."""
    rise = max((ramp(figure, name) for name in linkage.axes), key=lambda one: one.ramp_s)
    found = []
    for row in torque_rows(figure, track_of(figure, linkage.servos[0])):
        velocity = row.no_load_rad_s * (1.0 - row.friction_n_m / row.stall_n_m)
        acceleration = velocity / rise.ramp_s
        own = row.inertia_kg_m2[row.track]
        if own > 0.0:
            acceleration = min(acceleration, (row.stall_n_m + row.worst_gravity_n_m) / own)
        found.append(
            Limits(
                velocity_rad_s=velocity,
                acceleration_rad_s2=acceleration,
                jerk_rad_s3=acceleration / rise.ramp_s,
                why={
                    "velocity": "no-load speed less friction; the torque-speed line bounds it further",
                    "acceleration": "stall torque helped by gravity, or top speed within one ramp; "
                    "the torque-speed line bounds it further",
                    "jerk": rise.why,
                },
            )
        )
    return found
