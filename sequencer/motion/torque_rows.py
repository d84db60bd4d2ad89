"""A servo's torque-speed line as rows on control points, linearised about the last pass.

With tau what the load takes (inertia, gravity, springs, drag, the other axes' motion), F Coulomb friction,
T the stall torque and v0 the no-load speed, a track keeps for all t

    |tau + F + (T/v0) v| <= T    where the motor drives,    |tau + F| <= T    where it brakes

(a DC motor's line, textbook; against its own motion no more than stall torque is counted on). tau is
linear in accelerations and nearly so in a pose and its speed near the last pass, so each row is a row on
the four points of a span. Friction is charged with both signs where the velocity may vanish.

Rows stand at five points a servo frame, knots among them. Between two of them acceleration is linear and
everything else bends by no more than the rates allow: what a row could rise there above both its ends
is taken off T, and so is what rounding the points can add.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sequencer.motion.model import TrackSpec
from sequencer.motion.problem import SpanRows
from sequencer.motion.spline import BASIS, Floats

#: Intervals between the points of a servo frame at which rows stand.
STEPS_A_FRAME = 4
#: How far a point moves by rounding, LSB; see :mod:`.round`.
ROUNDED_LSB = 0.501
#: Steps of the differences in which a torque's slopes are measured, rad and rad/s.
_ASIDE_RAD, _ASIDE_RAD_S = 1e-4, 1e-3


class Load(Protocol):
    """What the servos of one linkage's k tracks must give at n moments, the other axes' motion among it.

    All in track radians, (n, k); see :class:`sequencer.figure.track_load.TrackLoad`.
    """

    @property
    def stall_n_m(self) -> Floats: ...  # noqa: D102 - (k,)
    @property
    def no_load_rad_s(self) -> Floats: ...  # noqa: D102 - (k,)

    def torque(self, angle: Floats, speed: Floats, acceleration: Floats) -> Floats:
        """Torque without Coulomb friction, N m."""
        ...

    def coulomb(self, angle: Floats, speed: Floats, still_rad_s: float) -> tuple[Floats, Floats]:
        """Least and greatest torque of Coulomb friction; either side below ``still_rad_s``."""
        ...


@dataclass(frozen=True)
class TrackMotion:
    """Tracks at n moments: angle, speed, acceleration (n, k) in track radians and seconds."""

    angle: Floats
    speed: Floats
    acceleration: Floats


@dataclass(frozen=True)
class Line:
    """How much of the torque-speed line a motion may use, and how fast the board's clock may run.

    ``share`` of stall torque is counted on (the no-load speed stays); ``clock_error`` is the
    certificate's e: speeds are up to 1 + e, accelerations (1 + e)^2 times the planned ones.
    ``still_rad_s``: an axis slower than this may stand or turn round.
    """

    share: float
    clock_error: float
    still_rad_s: float


def steps_of(spec: TrackSpec) -> int:
    """Intervals between rows in a knot span."""
    return STEPS_A_FRAME * spec.knot_frames


def span_tables(spec: TrackSpec, u: Floats) -> Floats:
    """(3, n, 4): what the four points of a span make of angle, speed, acceleration at ``u``, per rad and s.

    Columns are in radians a LSB; the angle still lacks the track's zero.
    """
    zero, one = np.zeros_like(u), np.ones_like(u)
    powers = np.stack([one, u, u**2, u**3])
    slopes = np.stack([zero, one, 2.0 * u, 3.0 * u**2])
    bends = np.stack([zero, zero, 2.0 * one, 6.0 * u])
    tables = [
        (BASIS @ monomials).T / (spec.value_per_rad * spec.knot_s**order)
        for order, monomials in enumerate((powers, slopes, bends))
    ]
    return np.stack(tables)


def track_motion(specs: Sequence[TrackSpec], extended: Sequence[Floats], time_s: Floats) -> TrackMotion:
    """The exact motion of tracks (each K + 3 points, LSB) at ``time_s`` (n,) within the scene."""
    found = []
    for spec, points in zip(specs, extended, strict=True):
        knots = time_s / spec.knot_s
        # A moment on a knot that arithmetic puts a hair before it belongs to the span behind.
        span = np.clip(np.floor(knots + 1e-9).astype(np.int64), 0, len(points) - 4)
        tables = span_tables(spec, knots - span)
        windows = np.asarray(points, np.float64)[span[:, None] + np.arange(4)]
        angle, speed, acceleration = np.einsum("mnj,nj->mn", tables, windows)
        found.append((angle - spec.value_zero / spec.value_per_rad, speed, acceleration))
    angle, speed, acceleration = (np.stack(part, axis=1) for part in zip(*found, strict=True))
    return TrackMotion(angle, speed, acceleration)


@dataclass(frozen=True)
class Linearised:
    """tau ~ constant + mass a + drag v + slope y, by moment: (n, k), and (n, k, k) with the tracks last."""

    constant: Floats
    mass: Floats
    drag: Floats
    slope: Floats


def linearised(load: Load, motion: TrackMotion) -> Linearised:
    """The load about a motion: exact in the accelerations, central differences in pose and speed."""
    y, v, a = motion.angle, motion.speed, motion.acceleration
    base = load.torque(y, v, a)
    tracks = np.eye(y.shape[1])
    mass = np.stack([load.torque(y, v, a + unit) - base for unit in tracks], axis=2)
    drag = np.stack(
        [_central(lambda d: load.torque(y, v + d, a), _ASIDE_RAD_S * unit) for unit in tracks], axis=2
    ) / (2.0 * _ASIDE_RAD_S)
    slope = np.stack(
        [_central(lambda d: load.torque(y + d, v, a), _ASIDE_RAD * unit) for unit in tracks], axis=2
    ) / (2.0 * _ASIDE_RAD)
    parts = ((mass, a), (drag, v), (slope, y))
    constant = base - sum(np.einsum("nst,nt->ns", part, value) for part, value in parts)
    return Linearised(constant, mass, drag, slope)


def _central(torque: Callable[[Floats], Floats], step: Floats) -> Floats:
    return torque(step) - torque(-step)


def row_times(spec: TrackSpec, spans: int) -> Floats:
    """When rows stand: every span's knot and the points up to the next, seconds."""
    steps = steps_of(spec)
    return np.multiply(np.arange(spans * steps), spec.knot_s / steps, dtype=np.float64)


def torque_rows(
    specs: Sequence[TrackSpec], load: Load, motion: TrackMotion, line: Line, share: float
) -> SpanRows:
    """The rows of a linkage's k tracks about their ``motion`` at :func:`row_times`.

    ``share`` is the share of the tracks' bounds that the problem keeps; between rows rates stay under it.
    Two rows a track and moment, the motor driving and braking, in N m over stall torque. Entries are not
    finite where the linkage does not reach.
    """
    about = linearised(load, motion)
    least, greatest = load.coulomb(motion.angle, motion.speed, line.still_rad_s)
    fast = 1.0 + line.clock_error
    count, tracks = motion.angle.shape
    steps = steps_of(specs[0])
    span = np.arange(count) // steps
    tables = np.stack([span_tables(spec, np.arange(steps) / steps) for spec in specs], axis=3)
    tables = np.tile(tables, (1, count // steps, 1, 1))  # (3, n, 4, k)
    zero = np.array([spec.value_zero / spec.value_per_rad for spec in specs])
    constant = about.constant - np.einsum("nst,t->ns", about.slope, zero)
    found: list[tuple[Floats, Floats, Floats]] = []
    for track in range(tracks):
        stall = load.stall_n_m[track]
        usable = line.share * stall
        for falling in (usable / load.no_load_rad_s[track], 0.0):
            drag = about.drag[:, track] + falling * (np.arange(tracks) == track)
            gap = _between(specs, about, drag, track, share)
            entries = (
                tables[2] * (fast**2 * about.mass[:, track])[:, None, :]
                + tables[1] * (fast * drag)[:, None, :]
                + tables[0] * about.slope[:, track][:, None, :]
            ).reshape(count, 4 * tracks)
            room = usable - gap - ROUNDED_LSB * np.abs(entries).sum(axis=1)
            low = -room - constant[:, track] - least[:, track]
            high = room - constant[:, track] - greatest[:, track]
            found.append((entries / stall, low / stall, high / stall))
    by_moment = [np.stack(part, axis=1) for part in zip(*found, strict=True)]
    entries, low, high = (part.reshape(-1, *part.shape[2:]) for part in by_moment)
    return SpanRows(np.repeat(span, len(found)), entries, low, high, np.full(len(low), np.inf))


def _between(specs: Sequence[TrackSpec], about: Linearised, drag: Floats, track: int, share: float) -> Floats:
    """How far a row may rise between two of its moments above both, (n,) N m.

    A function whose second derivative stays within k rises by at most k h^2 / 8 above its chord. With
    constant jerk in between, that derivative is (drag) j + (slope) a and what changing coefficients add.
    """
    step_s = specs[0].knot_s / steps_of(specs[0])
    speed, acceleration, jerk = (
        np.array([share * spec.bounds[order] / abs(spec.value_per_rad) / spec.knot_s ** (order + 1)
                  for spec in specs])
        for order in range(3)
    )  # fmt: skip
    mass, slope = about.mass[:, track], about.slope[:, track]
    bend = np.abs(drag) @ jerk + np.abs(slope) @ acceleration
    bend += 2.0 * (_change(mass) @ jerk + _change(drag) @ acceleration + _change(slope) @ speed) / step_s
    bend += _change(np.diff(mass, axis=0, prepend=mass[:1])) @ acceleration / step_s**2
    wider = np.maximum(bend, np.maximum(np.append(bend[1:], bend[-1]), np.append(bend[0], bend[:-1])))
    return np.asarray(wider * step_s**2 / 8.0)


def _change(values: Floats) -> Floats:
    """What changes from one moment to the next, size only, (n, k)."""
    return np.abs(np.diff(values, axis=0, append=values[-1:]))


def overload(load: Load, motion: TrackMotion, line: Line) -> Floats:
    """How far the true torque is beyond the line, (n, k), as a share of stall torque; <= 0 is inside."""
    fast = 1.0 + line.clock_error
    speed = fast * motion.speed
    tau = load.torque(motion.angle, speed, fast**2 * motion.acceleration)
    least, greatest = load.coulomb(motion.angle, speed, line.still_rad_s)
    falling = line.share * load.stall_n_m / load.no_load_rad_s * speed
    upward = np.maximum(tau + greatest, tau + greatest + falling)
    downward = np.maximum(-(tau + least), -(tau + least + falling))
    over: Floats = np.maximum(upward, downward) / load.stall_n_m - line.share
    return over
