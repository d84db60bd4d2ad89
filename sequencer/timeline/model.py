"""The timeline: one wish over time for each channel, with what was asked and what can be kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

#: Wishes are sampled on this grid; sample i is at time i * GRID_S.
GRID_S = 0.001
#: Scenes use this share of the certified limits; the rest is room for transitions.
PLAN_SHARE = 0.85
#: A quiet scene uses this share of the top speed: an idle runs all evening, and fast servos are heard.
QUIET_SHARE = 0.25


@dataclass(frozen=True)
class Accent:
    """A moment that counts: the axis is at ``value_rad`` at ``time_s``, at ``rest`` or in passing.

    A move that lands makes one, and a cue or score point that says where the axis *is*. The plan gets
    there as nearly as the axis can, at the cost of what it does before and after. ``remedy`` says what
    to write when it can't, or when what is about it has to give way; "" when all fits.
    """

    time_s: float
    value_rad: float
    rest: bool
    line: int
    remedy: str = ""


@dataclass(frozen=True)
class Sampled:
    """A stretch of an axis that follows an imported curve: its time is kept, its amplitude need not be.

    ``bounds`` are velocity, acceleration and jerk (rad, s) that the plan will keep, ``line`` and ``source``
    where the scene names the curve.
    """

    start_s: float
    end_s: float
    line: int
    source: str
    bounds: tuple[float, float, float]


@dataclass(frozen=True)
class AxisWish:
    """The wish of one axis in radians on the 1 ms grid.

    ``asked_rad`` is the wish as authored; errors are reported against it. Each move takes the time
    written, whether the axis can make it or not, and goes to the angle written, even beyond the range.
    A move that a newer cue of its axis cuts short stands in it up to that cue: what the author took
    back is no error, but it is told as a shortfall. ``wish_rad`` is what the planner aims at: the
    same, with each move stretched in closed form to a duration the axis can make. Both have
    ``round(duration_s / GRID_S) + 1`` samples; a loop's last sample equals its first. ``accents``
    and ``sampled`` are in the order of their times.
    """

    axis: str
    asked_rad: NDArray[np.float64]
    wish_rad: NDArray[np.float64]
    accents: tuple[Accent, ...] = ()
    sampled: tuple[Sampled, ...] = ()


@dataclass(frozen=True)
class LampStep:
    """One instruction to a lamp, in time order.

    ``set``: jump to ``level``; ``ramp``: go to ``level`` linearly in lightness over ``duration_s``;
    ``flicker``: for ``duration_s``, waver below the present level by at most ``depth`` in the manner
    ``kind``, then return to it. Levels and depth are lightness 0..1 in steps of 0.005. ``colour`` (linear
    red, green and blue, the largest 1) holds from this step on; None: the one before.
    """

    time_s: float
    op: Literal["set", "ramp", "flicker"]
    level: float = 0.0
    duration_s: float = 0.0
    kind: Literal["gutter", "failing"] = "gutter"
    depth: float = 0.0
    seed: int = 0
    colour: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class SwitchStep:
    """A switch goes on or off so that it *acts* at ``time_s`` (lead is applied when tables are made)."""

    time_s: float
    on: bool


@dataclass(frozen=True)
class Shortfall:
    """A wish the axis cannot keep: by how much, and what would work, in plain words.

    ``severity`` is ``note`` where nobody would see it: less than one servo frame late, or a move cut
    short within its last tenth.
    """

    code: Literal["rate", "range", "reach", "sync", "torque"]
    channel: str
    time_s: float
    line: int
    value: float
    limit: float
    unit: str
    message: str
    remedy: str
    severity: Literal["warning", "note"] = "warning"


@dataclass(frozen=True)
class Timeline:
    """One scene as wishes. ``duration_s`` is a whole number of 0.12 s (six servo frames).

    A ``quiet`` scene moves at :data:`QUIET_SHARE` of the top speed at most.
    """

    scene: str
    duration_s: float
    loop: bool
    axes: Mapping[str, AxisWish]
    lamps: Mapping[str, tuple[LampStep, ...]]
    switches: Mapping[str, tuple[SwitchStep, ...]]
    shortfalls: tuple[Shortfall, ...]
    notes: tuple[str, ...] = ()
    quiet: bool = False
