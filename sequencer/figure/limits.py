"""How fast a servo's track and an axis may go, and why.

Velocity: half of the derated no-load speed. A DC servo's torque falls in a straight line from stall
to no-load (textbook), so at half speed half of the stall torque is left: whatever is promised at
standstill is then also there at top speed, and one pair of constant limits is honest everywhere.

Acceleration: that half, minus the worst gravity and friction, over inertia; but no more than brings
top speed within one ramp, since with the jerk below anything more would never be reached. The two
servos of a pair share what they carry: each row of the inertia matrix is summed, so that both may
accelerate at once, in any direction, at any pose.

Jerk: acceleration over the ramp time. A ramp of the neck's own period leaves it still: the pulse
of acceleration then has no energy at that frequency. It lasts at least three servo frames.

Limits bind on tracks (:func:`track_limits`), because servos are what can be asked for too much. An axis
gets two readings of them: what it may be asked for alone (:func:`limits`), and what it never
exceeds (:func:`outer_limits`). For a direct axis all three are one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.errors import Fault, FindingsError
from sequencer.figure.drives import first_servo, servos_of, track_of
from sequencer.figure.linkage import Linkage, linkage_of, linkages
from sequencer.figure.model import AxisPhysics, Basis, DirectDrive, Figure, Limits
from sequencer.figure.needed import fit_words, servo_needed_kgcm
from sequencer.figure.physics import Chain, physics
from sequencer.figure.reflect import Numbers, inner, outer
from sequencer.figure.servo_line import SHARE_AT_SPEED as SHARE_AT_SPEED
from sequencer.figure.servo_line import SHARE_OF_SPEED as SHARE_OF_SPEED
from sequencer.figure.servo_line import line_at as line_at
from sequencer.figure.servo_line import speed_words
from sequencer.figure.torque import TorqueRow
from sequencer.figure.torque import torque_rows as torque_rows
from sequencer.units import kgcm_from_n_m

#: A servo hears of a change once a frame; three frames make a ramp.
LEAST_RAMP_FRAMES = 3
#: A guess at how stiff a neck of printed parts and servo gears is, N m/rad, when nobody filmed its wobble.
TYPICAL_STIFFNESS_N_M_RAD = 15.0


@dataclass(frozen=True)
class Ramp:
    """Time in which acceleration rises from nothing to its limit, where it comes from, in words."""

    ramp_s: float
    basis: Basis
    why: str


def ramp(figure: Figure, axis_name: str, facts: AxisPhysics | None = None) -> Ramp:
    """The ramp of one axis: as given, or the guessed period of its neck, at least three frames."""
    axis = figure.axes[axis_name]
    least = LEAST_RAMP_FRAMES * max(figure.servos[name].frame_s for name in servos_of(figure, axis_name))
    if axis.ramp_s is not None:
        return Ramp(max(axis.ramp_s, least), "measured", f"a ramp of {axis.ramp_s:.3g} s, as the file says")
    inertia = facts.inertia_kg_m2 if facts is not None else Chain(figure, axis_name).worst_inertia_kg_m2()
    period = math.tau * math.sqrt(inertia / TYPICAL_STIFFNESS_N_M_RAD)
    if period > least:
        return Ramp(
            period,
            "guess",
            f"a ramp of {period:.3g} s, the guessed period of this inertia on a neck of "
            f"{TYPICAL_STIFFNESS_N_M_RAD:g} N m/rad",
        )
    return Ramp(least, "typical", f"a ramp of {least:.3g} s, three servo frames")


def track_limits(figure: Figure, track: str) -> Limits:
    """The limits of one track in track radians, each with its reason; what planner and certificate keep.

    Track radians are the axis's for a direct drive and the servo's own otherwise. Raises KeyError for
    an unknown track and FindingsError when the servos cannot hold what they carry.
    """
    for linkage in linkages(figure):
        tracks = [track_of(figure, servo) for servo in linkage.servos]
        if track in tracks:
            return _of_linkage(figure, linkage)[tracks.index(track)]
    raise KeyError(track)


def limits(figure: Figure, axis_name: str, known: AxisPhysics | None = None) -> Limits:
    """What an axis may be asked for while the others of its linkage rest, in rad and s, with reasons.

    ``known`` spares computing its physics. Raises KeyError for an unknown axis and FindingsError when
    the servo cannot hold what it carries.
    """
    return _seen_from(figure, axis_name, known, outside=False)


def outer_limits(figure: Figure, axis_name: str, known: AxisPhysics | None = None) -> Limits:
    """What an axis never exceeds while its servos keep their limits (the contract's ``limit``).

    Raises as :func:`limits`.
    """
    return _seen_from(figure, axis_name, known, outside=True)


def _seen_from(figure: Figure, axis_name: str, known: AxisPhysics | None, outside: bool) -> Limits:
    linkage = linkage_of(figure, axis_name)
    facts = known or physics(figure, axis_name)
    if facts.available_torque_n_m <= 0.0:
        raise FindingsError(cannot_hold(figure, axis_name, facts))
    on_tracks = _of_linkage(figure, linkage)
    if _is_direct(figure, linkage):
        return on_tracks[0]
    numbers = [
        Numbers(limit.velocity_rad_s, limit.acceleration_rad_s2, limit.jerk_rad_s3) for limit in on_tracks
    ]
    seen = (outer if outside else inner)(figure, linkage, axis_name, numbers)
    per_speed = seen.velocity / min(number.velocity for number in numbers)
    how = (
        f"the most that {_together(linkage)} can make of it, x {per_speed:.3g}"
        if outside
        else f"{axis_name} alone gets x {per_speed:.3g} of it through the linkage, at its worst pose"
    )
    slowest = min(on_tracks, key=lambda limit: limit.velocity_rad_s)
    weakest = min(on_tracks, key=lambda limit: limit.acceleration_rad_s2)
    return Limits(
        velocity_rad_s=seen.velocity,
        acceleration_rad_s2=seen.acceleration,
        jerk_rad_s3=seen.jerk,
        why={
            "velocity": f"{slowest.why['velocity']}; {how}",
            "acceleration": f"{weakest.why['acceleration']}, at the servo",
            "jerk": weakest.why["jerk"],
        },
    )


def _together(linkage: Linkage) -> str:
    names = [f"`{name}`" for name in linkage.servos]
    return f"servos {' and '.join(names)} together" if len(names) > 1 else f"servo {names[0]}"


def _is_direct(figure: Figure, linkage: Linkage) -> bool:
    return isinstance(figure.axes[linkage.axes[0]].drive, DirectDrive)


def _of_linkage(figure: Figure, linkage: Linkage) -> list[Limits]:
    """Limits of the tracks of a linkage, in the order of its servos."""
    rows = torque_rows(figure, track_of(figure, linkage.servos[0]))
    tops = {row.track: SHARE_OF_SPEED * row.no_load_rad_s for row in rows}
    left = {row.track: row.left_n_m(tops) for row in rows}
    for row in rows:
        if left[row.track] <= 0.0:
            raise FindingsError(
                cannot_hold(figure, linkage.axes[0], physics(figure, linkage.axes[0]), row=row)
            )
    # One number for all: then no servo is asked for more than it has, whichever way the others go.
    binding = min(rows, key=lambda row: _by_torque(row, left))
    by_torque = _by_torque(binding, left)
    rise = max((ramp(figure, name) for name in linkage.axes), key=lambda one: one.ramp_s)
    found = []
    for row in rows:
        servo = figure.servos[row.servo]
        ratio = line_at(figure, servo).no_load_rad_s / row.no_load_rad_s
        velocity = tops[row.track]
        by_ramp = velocity / rise.ramp_s
        acceleration = min(by_ramp, by_torque)
        found.append(
            Limits(
                velocity_rad_s=velocity,
                acceleration_rad_s2=acceleration,
                jerk_rad_s3=acceleration / rise.ramp_s,
                why={
                    "velocity": speed_words(figure, servo)
                    + (f", / {ratio:.3g} for the ratio" if abs(ratio - 1.0) > 1e-12 else "")
                    + ", halved so that half of its torque is left at top speed",
                    "acceleration": (
                        _torque_words(figure, linkage, binding, left[binding.track])
                        if by_torque <= by_ramp
                        else _ramp_words(rise, by_torque)
                    ),
                    "jerk": rise.why,
                },
            )
        )
    return found


def _by_torque(row: TorqueRow, left: dict[str, float]) -> float:
    return left[row.track] / row.reflected_kg_m2 if row.reflected_kg_m2 > 0.0 else math.inf


def _torque_words(figure: Figure, linkage: Linkage, row: TorqueRow, left_n_m: float) -> str:
    axes = [figure.axes[name] for name in linkage.axes]
    bases = " and ".join(dict.fromkeys(axis.friction_basis for axis in axes))
    speed = f", speed itself ({row.swing_n_m:.3g})" if row.swing_n_m > 0.0 else ""
    drag = sum(row.viscous_n_m_s.values())
    drags = f", drag ({drag:.3g} N m s)" if drag > 0.0 else ""
    where = "" if _is_direct(figure, linkage) else f" at servo `{row.servo}`"
    return (
        f"torque: {left_n_m:.3g} N m left{where} after gravity ({row.worst_gravity_n_m:.3g}){speed}{drags} "
        f"and friction ({row.friction_n_m:.3g}, {bases}), over {row.reflected_kg_m2:.3g} kg m2"
    )


def _ramp_words(rise: Ramp, by_torque: float) -> str:
    spare = (
        f"; the torque would give {math.degrees(by_torque):.0f} deg/s2"
        if math.isfinite(by_torque)
        else "; the file tells of no mass here"
    )
    return f"ramp: top speed within {rise.ramp_s:.3g} s, more would never be reached{spare}"


def cannot_hold(figure: Figure, axis_name: str, facts: AxisPhysics, row: TorqueRow | None = None) -> Fault:
    """Why an axis has no torque left, and what would help; ``row`` is its servo's, when it is known."""
    axis = figure.axes[axis_name]
    needed = servo_needed_kgcm(figure, axis_name)
    if isinstance(axis.drive, DirectDrive):
        servo = first_servo(figure, axis)
        load = facts.gravity_torque_n_m + facts.friction_torque_n_m
        stall = line_at(figure, figure.servos[servo]).stall_n_m * axis.drive.ratio
        what = "gravity and friction take"
    else:
        names = servos_of(figure, axis_name)
        servo = row.servo if row is not None else names[0]
        stall = line_at(figure, figure.servos[servo]).stall_n_m
        load = (1.0 - facts.torque_margin) * stall
        if row is not None:
            load = row.worst_gravity_n_m + row.friction_n_m + row.swing_n_m
        what = f"gravity and friction take, through the linkage of {' and '.join(names)},"
    loaded, usable = kgcm_from_n_m(load), kgcm_from_n_m(SHARE_AT_SPEED * stall)
    return Fault(
        f"{axis_name} cannot be moved: {what} {loaded:.1f} kg cm and servo "
        f"`{servo}` has {usable:.1f} kg cm to give while it turns",
        file=figure.file,
        line=axis.line,
        quantity=f"torque of {axis_name}",
        value=f"{loaded:.2f} kg cm",
        limit=f"{usable:.2f} kg cm",
        remedy=f"balance it with a counterweight or spring, or {fit_words(figure, axis_name, needed)}",
    )
