"""From an axis' limits to a track's integers: knot spacing, resolution and bounds.

A track stores control points as integers of 2^-k us. This module chooses the knot spacing from the
time that jerk takes to build up, the coarsest resolution that still lets a plan use its jerk, and
rounds every limit inward, so that an integer inequality implies the limit in SI.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.errors import Fault, PlanError
from sequencer.figure.model import Limits, TrackMap
from sequencer.motion.model import TrackSpec

#: Knot spacings in servo frames; each divides six frames, the common knot.
KNOT_FRAMES = (1, 2, 3, 6)
#: Resolutions 2^-k us that the image format knows, coarsest first.
LSB_EXPONENTS = (2, 3, 4, 5)
#: The jerk phase holds at least this many knots.
KNOTS_PER_RAMP = 1.5
#: Rounding moves a third difference by up to 4 LSB; that may cost this share of the jerk limit.
ROUNDING_SHARE = 0.01
#: Below these (|D1|, |D2|, |D3|) in LSB nothing but rounding noise would be left to plan with.
SMALLEST_BOUNDS = (6, 12, 24)

QUANTITIES = ("velocity", "acceleration", "jerk")
_INT16 = 32767
_TINY = 1e-9


def choose_knot_frames(ramp_s: float, frame_s: float) -> int:
    """The longest knot spacing (servo frames) with ``spacing <= max(ramp_s / 1.5, frame_s)``."""
    longest_s = max(ramp_s / KNOTS_PER_RAMP, frame_s) * (1.0 + _TINY)
    return max(frames for frames in KNOT_FRAMES if frames == 1 or frames * frame_s <= longest_s)


def choose_lsb_exponent(jerk_us: float) -> int:
    """The coarsest k with 4 LSB <= 1 % of ``jerk_us`` (= J H^3 in us), or the finest there is."""
    for exponent in LSB_EXPONENTS:
        if 4.0 * 2.0**-exponent <= ROUNDING_SHARE * jerk_us:
            return exponent
    return LSB_EXPONENTS[-1]


def track_spec(
    track: TrackMap,
    limits: Limits,
    *,
    clock_error: float = 0.01,
    knot_frames: int | None = None,
    ramp_s: float | None = None,
    lsb_exponent: int | None = None,
    group: str | None = None,
) -> TrackSpec:
    """How the integers of ``track`` mean pulses, and the bounds that prove ``limits``.

    ``limits`` are those of the track's angle (rad, s). ``knot_frames`` overrides the knot spacing, else
    it follows ``ramp_s`` (default: acceleration / jerk); ``lsb_exponent`` the resolution. Bounds are
    divided by (1 + clock_error)^m: a board whose clock runs fast plays m-th derivatives that much larger.

    Raises :class:`PlanError` when the pulse range is empty, when rest or parked lies outside it, or
    when a limit is so tight that the integers cannot express a motion within it.
    """
    _check_numbers(track, limits, clock_error, knot_frames)
    frame_us = round(track.frame_s * 1e6)
    if knot_frames is None:
        if ramp_s is None or not ramp_s > 0.0:
            ramp_s = limits.acceleration_rad_s2 / limits.jerk_rad_s3
        knot_frames = choose_knot_frames(ramp_s, frame_us * 1e-6)
    knot_s = knot_frames * frame_us * 1e-6

    per_rad = abs(track.us_per_rad)
    limits_us = tuple(
        limit * per_rad * knot_s**order
        for order, limit in enumerate(
            (limits.velocity_rad_s, limits.acceleration_rad_s2, limits.jerk_rad_s3), start=1
        )
    )
    exponent = choose_lsb_exponent(limits_us[2]) if lsb_exponent is None else lsb_exponent
    lsb_us = 2.0**-exponent
    origin_us = round((track.low_us + track.high_us) / 2.0)
    low = math.ceil((track.low_us - origin_us) / lsb_us - _TINY)
    high = math.floor((track.high_us - origin_us) / lsb_us + _TINY)
    if low < -_INT16 or high > _INT16 or not 0 <= origin_us <= 65535:
        raise PlanError(
            Fault(
                f"track {track.name}: pulses {track.low_us:g} to {track.high_us:g} us do not fit the image",
                quantity="pulse width",
                value=f"{track.high_us - track.low_us:g} us wide",
                limit=f"{2 * _INT16 * lsb_us:g} us",
                remedy="check pulse_us and travel_deg of the servo",
            )
        )
    bounds = tuple(
        min(_INT16, math.floor(limit_us / lsb_us / (1.0 + clock_error) ** order + _TINY))
        for order, limit_us in enumerate(limits_us, start=1)
    )
    _check_bounds(track, bounds, knot_frames, frame_us)
    return TrackSpec(
        name=track.name,
        axis=track.axis,
        servo=track.servo,
        pin=track.pin,
        frame_us=frame_us,
        knot_frames=knot_frames,
        lsb_exponent=exponent,
        origin_us=origin_us,
        value_zero=(track.zero_us - origin_us) / lsb_us,
        value_per_rad=track.us_per_rad / lsb_us,
        low=low,
        high=high,
        bounds=(bounds[0], bounds[1], bounds[2]),
        rest=_within(track, "home", track.rest_us, origin_us, lsb_us, low, high),
        parked=_within(track, "parked", track.parked_us, origin_us, lsb_us, low, high),
        group=group,
    )


def group_specs(
    tracks: Sequence[TrackMap],
    limits: Sequence[Limits],
    group: str,
    *,
    clock_error: float = 0.01,
    knot_frames: int | None = None,
    lsb_exponent: int | None = None,
) -> tuple[TrackSpec, ...]:
    """:func:`track_spec` of tracks that share knots and resolution: the densest and finest of theirs.

    ``lsb_exponent`` overrides the resolution.
    """
    alone = [
        track_spec(track, limit, clock_error=clock_error, knot_frames=knot_frames)
        for track, limit in zip(tracks, limits, strict=True)
    ]
    frames = min(spec.knot_frames for spec in alone)
    alone = [
        track_spec(track, limit, clock_error=clock_error, knot_frames=frames)
        for track, limit in zip(tracks, limits, strict=True)
    ]
    exponent = max(spec.lsb_exponent for spec in alone) if lsb_exponent is None else lsb_exponent
    return tuple(
        track_spec(
            track,
            limit,
            clock_error=clock_error,
            knot_frames=frames,
            lsb_exponent=exponent,
            group=group,
        )
        for track, limit in zip(tracks, limits, strict=True)
    )


def _check_numbers(track: TrackMap, limits: Limits, clock_error: float, knot_frames: int | None) -> None:
    for quantity, limit in zip(
        QUANTITIES, (limits.velocity_rad_s, limits.acceleration_rad_s2, limits.jerk_rad_s3), strict=True
    ):
        if not (math.isfinite(limit) and limit > 0.0):
            raise PlanError(
                Fault(
                    f"track {track.name}: the {quantity} limit of axis {track.axis} is {limit:g}",
                    quantity=quantity,
                    value=f"{limit:g}",
                    limit="more than 0",
                    remedy="`quarterjack figure` says where the limit comes from; "
                    "usually the load is too heavy for the servo",
                )
            )
    if not (
        math.isfinite(track.low_us) and math.isfinite(track.high_us) and track.high_us - track.low_us >= 1.0
    ):
        raise PlanError(
            Fault(
                f"track {track.name}: pulses from {track.low_us:g} to {track.high_us:g} us leave no room",
                quantity="pulse width",
                value=f"{track.low_us:g} to {track.high_us:g} us",
                limit="at least 1 us wide",
                remedy="widen the axis' range, or record the servo's ends again",
            )
        )
    if not (math.isfinite(track.us_per_rad) and track.us_per_rad != 0.0):
        raise PlanError(f"track {track.name}: {track.us_per_rad:g} us per radian cannot move anything")
    if not (math.isfinite(track.frame_s) and 0.0005 <= track.frame_s <= 0.065):
        raise PlanError(f"track {track.name}: a servo frame of {track.frame_s:g} s is not supported")
    if not 0.0 <= clock_error < 0.5:
        raise PlanError(f"track {track.name}: a clock error of {clock_error:g} is not between 0 and 0.5")
    if knot_frames is not None and knot_frames not in KNOT_FRAMES:
        raise PlanError(
            Fault(
                f"track {track.name}: knots {knot_frames} servo frames apart do not divide six frames",
                quantity="knot_frames",
                value=str(knot_frames),
                limit="1, 2, 3 or 6",
                remedy="choose one of these, or leave knot_frames out",
            )
        )


def _check_bounds(track: TrackMap, bounds: tuple[int, ...], knot_frames: int, frame_us: int) -> None:
    for order, (quantity, bound, least) in enumerate(
        zip(QUANTITIES, bounds, SMALLEST_BOUNDS, strict=True), start=1
    ):
        if bound >= least:
            continue
        longer = [frames for frames in KNOT_FRAMES if bound * (frames / knot_frames) ** order >= least]
        if longer:
            remedy = f"set knot_frames = {longer[0]} on axis {track.axis}, or raise its {quantity} limit"
        else:
            remedy = (
                f"raise the {quantity} limit of axis {track.axis} {least / max(bound, 1):.1f} times, "
                "or use more of the servo's travel for the axis"
            )
        raise PlanError(
            Fault(
                f"track {track.name}: the {quantity} limit is too tight to be stored: it allows {bound} "
                f"steps of the finest resolution between knots {knot_frames * frame_us / 1000:g} ms apart",
                quantity=quantity,
                value=f"{bound} LSB",
                limit=f"at least {least} LSB",
                remedy=remedy,
            )
        )


def _within(
    track: TrackMap, what: str, pulse_us: float, origin_us: int, lsb_us: float, low: int, high: int
) -> int:
    """``pulse_us`` as an integer in low..high; up to one LSB outside is rounding, more is a fault."""
    value = (pulse_us - origin_us) / lsb_us
    if not low - 1.0 <= value <= high + 1.0:
        raise PlanError(
            Fault(
                f"track {track.name}: {what} needs a pulse of {pulse_us:g} us",
                quantity="pulse width",
                value=f"{pulse_us:g} us",
                limit=f"{track.low_us:g} to {track.high_us:g} us",
                remedy=f"move the {what} angle of axis {track.axis} into its range, or widen the range",
            )
        )
    return min(max(round(value), low), high)
