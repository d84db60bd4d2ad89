"""The outer constant limits of tracks that are planned with torque: what their servos could at most give.

Constant limits (:mod:`.limits`) promise the worst of everything at once. A motion that is bounded by the
torque-speed line itself needs only to know where that line ends: no-load speed less what friction takes,
and the acceleration of a servo at stall torque that gravity helps as much as it ever can. The ramp stays,
for the neck's sake: top speed is not reached within less, and jerk is acceleration over the ramp.
"""

from __future__ import annotations

from sequencer.figure.drives import track_of
from sequencer.figure.limits import outer_limits, ramp, track_limits
from sequencer.figure.linkage import Linkage, linkage_of, linkages
from sequencer.figure.model import DirectDrive, Figure, Limits
from sequencer.figure.reflect import Numbers, outer
from sequencer.figure.torque import torque_rows


def is_torque_aware(figure: Figure, linkage: Linkage) -> bool:
    """Whether scenes plan the linkage's tracks with torque: one of its axes asks for it."""
    return any(figure.axes[name].torque_aware for name in linkage.axes)


def scene_limits(figure: Figure, linkage: Linkage) -> list[Limits]:
    """What scenes may bring the tracks of a linkage to, in the order of its servos: constant or outer limits.

    Raises as :func:`.limits.track_limits`.
    """
    near = [track_limits(figure, track_of(figure, servo)) for servo in linkage.servos]
    if not is_torque_aware(figure, linkage):
        return near
    return [_outermost(*both) for both in zip(near, most_limits(figure, linkage), strict=True)]


def never_exceeded(figure: Figure, axis_name: str) -> Limits:
    """What an axis never exceeds while its tracks keep what scenes may bring them to.

    Raises as :func:`.limits.outer_limits`.
    """
    known = outer_limits(figure, axis_name)
    linkage = linkage_of(figure, axis_name)
    if not is_torque_aware(figure, linkage):
        return known
    tracks = scene_limits(figure, linkage)
    if isinstance(figure.axes[axis_name].drive, DirectDrive):
        return tracks[0]
    numbers = [Numbers(each.velocity_rad_s, each.acceleration_rad_s2, each.jerk_rad_s3) for each in tracks]
    return Limits(*outer(figure, linkage, axis_name, numbers), why=tracks[0].why)


def _outermost(one: Limits, other: Limits) -> Limits:
    """The larger of each, with its reason."""
    fast = max(one, other, key=lambda each: each.velocity_rad_s)
    strong = max(one, other, key=lambda each: each.acceleration_rad_s2)
    sudden = max(one, other, key=lambda each: each.jerk_rad_s3)
    return Limits(
        fast.velocity_rad_s,
        strong.acceleration_rad_s2,
        sudden.jerk_rad_s3,
        why={
            "velocity": fast.why["velocity"],
            "acceleration": strong.why["acceleration"],
            "jerk": sudden.why["jerk"],
        },
    )


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


def spare_by_track(figure: Figure, share: float) -> dict[str, float]:
    """Acceleration, rad/s^2, that ``share`` of its stall torque leaves each servo planned with torque."""
    return {
        row.track: (1.0 - share) * row.stall_n_m / row.reflected_kg_m2
        for linkage in linkages(figure)
        if is_torque_aware(figure, linkage)
        for row in torque_rows(figure, track_of(figure, linkage.servos[0]))
        if row.reflected_kg_m2 > 0.0
    }
