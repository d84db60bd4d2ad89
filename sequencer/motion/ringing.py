"""How much an axis still rings once it has come to rest: a damped mode shaken by the played acceleration.

What sits on a neck that gives way swings against its servo: x'' + 2 z w x' + w^2 x = -q''(t), with q the
commanded angle, x how far the head is off it, w = 2 pi f and z the damping (any book on vibration;
D. J. Inman, *Engineering Vibration*, base excitation). With l = -z w + i w sqrt(1 - z^2) the number
p = x' - conj(l) x obeys p' = l p - q'', and |p| over the damped frequency is the amplitude of what rings
on freely. Between nodes q'' is linear, which makes one node's p from the last one's in closed form: nothing
is sampled where q is a spline on the nodes. Time and memory are linear in the length.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import ztbtrs

from sequencer.motion.model import Mode, TrackSpec
from sequencer.motion.spline import Floats, basis

if TYPE_CHECKING:
    from sequencer.motion.linked import Linkage

#: What may ring on after a move, of the axis' angle.
LIMIT_RAD = math.radians(0.05)
#: A mode is looked at over a band of at least this share to either side.
BAND_SHARE = 0.10
#: At so many frequencies of the band, its ends among them.
BAND_COUNT = 9
#: A hold: the axis turns slower than this, accelerates so little that the mode bends by no more than the
#: limit, and does so for this many of the mode's periods. A shorter stop is part of a move.
HOLD_RAD_S = math.radians(0.5)
HOLD_PERIODS = 1.0
#: It has come to rest when it bends by less than this: then what is off is ringing.
REST_BEND_RAD = LIMIT_RAD / 5.0
#: Behind a linkage the angle is no spline: it is looked at every so many radians of the mode's phase.
PHASE_STEP_RAD = 0.25


@dataclass(frozen=True)
class Path:
    """One axis over a scene: angle in rad and acceleration in rad/s2 at nodes ``step_s`` apart, (n,).

    Between nodes the acceleration is linear. A loop's last node is its first again.
    """

    angle_rad: Floats
    acceleration: Floats
    step_s: float
    loop: bool


@dataclass(frozen=True)
class Rest:
    """A moment at which an axis has come to rest, and how much its mode rings on then, at its worst."""

    node: int
    time_s: float
    residual_rad: float
    frequency_hz: float


def band(mode: Mode) -> Floats:
    """The frequencies in Hz at which ``mode`` may be, :data:`BAND_COUNT` of them, ascending."""
    half = max(BAND_SHARE * mode.frequency_hz, mode.spread_hz)
    least = max(mode.frequency_hz - half, 0.2 * mode.frequency_hz)
    return np.linspace(least, mode.frequency_hz + half, BAND_COUNT)


def pole(frequency_hz: float, damping: float) -> complex:
    """l = -z w + i w sqrt(1 - z^2) of an undamped frequency and a damping ratio under 1."""
    omega = math.tau * frequency_hz
    return complex(-damping * omega, omega * math.sqrt(1.0 - damping * damping))


def envelope(path: Path, frequency_hz: float, damping: float) -> Floats:
    """The amplitude in rad at which one mode would ring on from each node, (n,).

    A scene begins at rest; a loop has been going round for ever.
    """
    root = pole(frequency_hz, damping)
    turn = np.exp(root * path.step_s)
    # integrals over one step of exp(l (h - s)) times the shares of the two nodes' accelerations
    whole = (turn - 1.0) / root
    later = (whole / path.step_s - 1.0) / root
    acceleration = path.acceleration
    pushes = -((whole - later) * acceleration[:-1] + later * acceleration[1:])
    # p[k + 1] = turn p[k] + pushes[k], as a matrix of two diagonals
    bands = np.ones((2, len(pushes)), np.complex128)
    bands[1] = -turn
    swung, _info = ztbtrs(bands, pushes.astype(np.complex128), uplo="L")
    p = np.concatenate([[0.0], swung])
    if path.loop:
        steps = np.arange(len(p))
        p = p + p[-1] / (1.0 - turn ** (len(p) - 1)) * turn**steps
    amplitude: Floats = np.abs(p) / root.imag
    return amplitude


def rests(path: Path, mode: Mode) -> tuple[Rest, ...]:
    """Every hold of the axis, and how much ``mode`` rings on at its beginning, in the order of time.

    A scene always ends in one: it stands at home afterwards.
    """
    first = _holds(path, mode)
    if not len(first):
        return ()
    frequencies = band(mode)
    residuals = envelopes(path, mode)[:, first]
    worst = residuals.argmax(axis=0)
    return tuple(
        Rest(int(node), float(node) * path.step_s, float(residuals[at, place]), float(frequencies[at]))
        for place, (node, at) in enumerate(zip(first, worst, strict=True))
    )


def envelopes(path: Path, mode: Mode) -> Floats:
    """:func:`envelope` at every frequency of the mode's band, (:data:`BAND_COUNT`, n)."""
    return np.stack([envelope(path, float(each), mode.damping) for each in band(mode)])


def residual_rad(path: Path, mode: Mode) -> float:
    """The most that ``mode`` rings on after any move; 0 without a hold."""
    return max((rest.residual_rad for rest in rests(path, mode)), default=0.0)


def _holds(path: Path, mode: Mode) -> NDArray[np.int64]:
    """The node of each hold at which the axis has come to rest."""
    bend = np.abs(path.acceleration) / (math.tau * mode.frequency_hz) ** 2
    slow = np.abs(np.diff(path.angle_rad)) <= HOLD_RAD_S * path.step_s
    gentle = bend <= LIMIT_RAD
    still = slow & gentle[:-1] & gentle[1:]
    count, begin = len(still), 0
    if path.loop:
        if still.all():
            return np.empty(0, np.int64)
        begin = int(np.argmin(still))  # a node where the axis moves, so that no hold is cut in two
        still, bend = np.roll(still, -begin), np.roll(bend[:-1], -begin)
    edges = np.diff(np.concatenate([[False], still, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    held = stops - starts >= math.ceil(HOLD_PERIODS / mode.frequency_hz / path.step_s)
    if not path.loop:  # what stands from the beginning has not been shaken, what stands at the end goes on
        held = (held | (stops == count)) & (starts > 0)
    nodes = np.array(
        [a + _at_rest(bend[a : b + 1]) for a, b in zip(starts[held], stops[held], strict=True)], np.int64
    )
    if path.loop:
        return np.sort((nodes + begin) % count)
    return nodes if still[-1] else np.append(nodes, count)


def _at_rest(bend: Floats) -> int:
    """The first place at which hardly anything bends, or where least does."""
    rests = bend <= REST_BEND_RAD
    return int(rests.argmax() if rests.any() else bend.argmin())


def direct_path(spec: TrackSpec, extended: Floats, loop: bool) -> Path:
    """The path of an axis that its track turns by itself, from extended points in LSB; nodes are knots."""
    knots = (extended[:-2] + 4.0 * extended[1:-1] + extended[2:]) / 6.0
    per_rad = spec.value_per_rad
    return Path(
        (knots - spec.value_zero) / per_rad,
        np.diff(extended, 2) / (per_rad * spec.knot_s**2),
        spec.knot_s,
        loop,
    )


def linked_paths(
    linkage: Linkage, tracks: Sequence[TrackSpec], extended: Sequence[Floats], loop: bool, fastest_hz: float
) -> tuple[Path, ...]:
    """Paths of the axes of ``linkage`` while its tracks play extended points, through the forward kinematics.

    Nodes are close enough for modes up to ``fastest_hz``: the acceleration is the angle's second
    difference, within 1 % at :data:`PHASE_STEP_RAD`.
    """
    knot_s = tracks[0].knot_s
    parts = max(1, math.ceil(knot_s * math.tau * fastest_hz / PHASE_STEP_RAD))
    weights = basis(np.arange(parts) / parts)
    served = []
    for spec, points in zip(tracks, extended, strict=True):
        windows = np.lib.stride_tricks.sliding_window_view(points, 4)
        values = np.append((windows @ weights.T).ravel(), windows[-1] @ basis(np.ones(1))[0])
        served.append((values - spec.value_zero) / spec.value_per_rad)
    servo = np.stack(served, axis=1)
    home = linkage.axis_rad(
        np.array([[(spec.rest - spec.value_zero) / spec.value_per_rad for spec in tracks]])
    )
    angles = linkage.axis_rad(servo, np.broadcast_to(home, servo.shape))
    step_s = knot_s / parts
    paths = []
    for angle in angles.T:
        before, after = (angle[-2], angle[1]) if loop else (angle[0], angle[-1])
        around = np.concatenate([[before], angle, [after]])
        paths.append(Path(angle, np.diff(around, 2) / step_s**2, step_s, loop))
    return tuple(paths)
