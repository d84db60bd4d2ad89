"""How long a move must be given when it is planned with torque: other numbers for the same closed form.

Constant limits stretch a move to the time that the worst of everything needs, at top speed and full
acceleration at once. No law asks for both at once. So for some top speeds the acceleration is bisected with
which the hardest of sampled moves (short to long, from either end, either way, by every law without jumps,
the other axes at home or to either side) just stays within the torque-speed line; the pair with the shortest
moves is taken. Jerk grows like the acceleration, so that the ramp stays.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from sequencer.figure.drives import track_of
from sequencer.figure.limits import limits, track_limits
from sequencer.figure.linkage import Linkage, linkage_of
from sequencer.figure.model import Figure, Limits
from sequencer.figure.torque_limits import is_torque_aware, most_limits
from sequencer.figure.track_load import FigureLoads
from sequencer.motion.spline import Floats
from sequencer.motion.torque_rows import Line, TrackMotion, overload
from sequencer.timeline.laws import DEFAULT_LAW, LAWS
from sequencer.timeline.model import PLAN_SHARE

#: Lengths of the sampled moves as shares of the range, and where they begin between its ends.
_LENGTHS = (0.1, 0.25, 0.5, 1.0)
_PLACES = (0.0, 0.5, 1.0)
#: Moments of a sampled move as shares of its duration.
_U = np.linspace(0.02, 0.98, 17)
#: Seconds either side at which a path's derivatives are taken.
_ASIDE_S = 5e-4
#: Top speeds that are tried, the slowest as a share of the constant limit, and bisections for each.
_SPEEDS, _SLOWEST, _HALVINGS = 8, 0.8, 8


@dataclass(frozen=True)
class _Tried:
    """Speed, acceleration and jerk by which moves are stretched, rad and s, as plans will keep them."""

    velocity: float
    acceleration: float
    jerk: float

    def seconds(self, reach_rad: float) -> float:
        """What moves of all sampled lengths take together, by the default law."""
        law = LAWS[DEFAULT_LAW]
        lengths = (length * reach_rad for length in _LENGTHS)
        return sum(law.shortest_s(far, self.velocity, self.acceleration, self.jerk) for far in lengths)


def quick_limits(figure: Figure, axis_name: str, share: float = PLAN_SHARE) -> Limits:
    """The limits by which moves of an axis planned with torque are stretched; no slower than the constant.

    They say how long a move takes, not what each moment of it may ask: the planner's rows do. ``share`` is
    what plans use of limits and of stall torque. Raises as :func:`.figure.limits.limits`.
    """
    known = limits(figure, axis_name)
    linkage = linkage_of(figure, axis_name)
    loads = FigureLoads(figure)
    slow = 1.0 + figure.board.clock_error
    near = [track_limits(figure, track_of(figure, servo)) for servo in linkage.servos]
    pairs = list(zip(most_limits(figure, linkage), near, strict=True))
    most_speed = min(far.velocity_rad_s / each.velocity_rad_s for far, each in pairs)
    most_push = min(far.acceleration_rad_s2 / each.acceleration_rad_s2 for far, each in pairs)

    def tried(speed: float, push: float) -> _Tried:
        return _Tried(
            share * speed * known.velocity_rad_s / slow,
            share * push * known.acceleration_rad_s2 / slow**2,
            share * push * known.jerk_rad_s3 / slow**3,
        )

    def fits(speed: float, push: float) -> bool:
        return _fits(figure, loads, linkage, axis_name, tried(speed, push), share)

    low, high = figure.axes[axis_name].range_rad
    best = (1.0, 1.0)
    for speed in np.linspace(_SLOWEST, most_speed, _SPEEDS).tolist():
        if not fits(speed, 1.0):
            continue
        push, over = 1.0, max(1.0, most_push)
        if fits(speed, over):
            push = over
        for _ in range(_HALVINGS if push < over else 0):
            middle = 0.5 * (push + over)
            push, over = (middle, over) if fits(speed, middle) else (push, middle)
        if tried(speed, push).seconds(high - low) < tried(*best).seconds(high - low):
            best = speed, push
    speed, push = best
    told = "; moves planned with torque take as long as with x {:.3g} of it"
    return replace(
        known,
        velocity_rad_s=speed * known.velocity_rad_s,
        acceleration_rad_s2=push * known.acceleration_rad_s2,
        jerk_rad_s3=push * known.jerk_rad_s3,
        why={
            quantity: why + told.format(speed if quantity == "velocity" else push)
            for quantity, why in known.why.items()
        },
    )


def quick_by_axis(figure: Figure, known: Mapping[str, Limits]) -> dict[str, Limits]:
    """:func:`quick_limits` of every axis that scenes plan with torque, what is ``known`` of the others."""
    return {
        name: quick_limits(figure, name) if is_torque_aware(figure, linkage_of(figure, name)) else limit
        for name, limit in known.items()
    }


def _fits(
    figure: Figure, loads: FigureLoads, linkage: Linkage, axis_name: str, tried: _Tried, share: float
) -> bool:
    """Whether every sampled move, as long as ``tried`` makes it, stays within the line."""
    axis = figure.axes[axis_name]
    low, high = axis.range_rad
    angles, seconds = [], []
    for law, length, place, way in itertools.product(LAWS.values(), _LENGTHS, _PLACES, (1.0, -1.0)):
        if not math.isfinite(law.cj):
            continue
        far = length * (high - low)
        begin = low + place * (high - low - far) + (far if way < 0.0 else 0.0)
        lasts = law.shortest_s(far, tried.velocity, tried.acceleration, tried.jerk)
        times = _U * lasts + np.array([[-_ASIDE_S], [0.0], [_ASIDE_S]])
        angles.append(begin + way * far * law.s(times / lasts))
        seconds.append(lasts)
    path = np.concatenate(angles, axis=1)
    return all(
        _within(loads, linkage, axis_name, path, others, share, figure.board.clock_error)
        for others in _others(figure, linkage)
    )


def _others(figure: Figure, linkage: Linkage) -> list[Mapping[str, float]]:
    """Poses of all axes: home, and all others low or high; the linkage's own other axis stays at home."""
    home = {name: axis.home_rad for name, axis in figure.axes.items()}
    free = [name for name in figure.axes if name not in linkage.axes]
    sides = [{name: figure.axes[name].range_rad[side] for name in free} for side in (0, 1)]
    return [home, *({**home, **side} for side in sides)]


def _within(
    loads: FigureLoads,
    linkage: Linkage,
    axis_name: str,
    path: Floats,
    others: Mapping[str, float],
    share: float,
    clock_error: float,
) -> bool:
    """Whether an axis's ``path`` (3, n), a moment before, at and after each sample, keeps the line."""
    poses = np.stack(
        [path if name == axis_name else np.full_like(path, others[name]) for name in linkage.axes], axis=2
    )
    angles = np.stack([loads.track_rad(linkage, pose) for pose in poses])
    before, at, after = angles
    speed = (after - before) / (2.0 * _ASIDE_S)
    acceleration = (after - 2.0 * at + before) / _ASIDE_S**2
    load = loads.still(linkage, {name: np.full(path.shape[1], angle) for name, angle in others.items()})
    line = Line(share, clock_error, 0.0)
    over = overload(load, TrackMotion(at, speed, acceleration), line)
    # A pose out of the linkage's reach is none that a scene can ask for.
    return bool((over[np.isfinite(over)] <= 0.0).all())
