"""Readings that anyone can take with kitchen tools, and what each result may be off.

The raw readings stay in ``figure.toml``; the arithmetic of :mod:`.swings` is done here, and the tools'
resolution is carried through it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from sequencer import units
from sequencer.figure import swings
from sequencer.figure.schema import PullsTable, WobbleTable
from sequencer.figure.schema_masses import SwingTable

#: What kitchen tools may be off: a scale, a ruler, a thumb on a stop watch, a luggage scale, a film.
SCALE_KG = 0.001
RULER_M = 0.001
HAND_S = 0.2
PULL_KG = 0.010
FRAMES = 1.0
SWING_DEG = 3.0


@dataclass(frozen=True)
class Reading:
    """A value and what it may be off, both in one unit (independent errors, added in squares)."""

    value: float
    spread: float

    @property
    def relative(self) -> float:
        """The spread as a share of the value."""
        return self.spread / abs(self.value) if self.value else math.inf


def combined(formula: Callable[..., float], *readings: Reading) -> Reading:
    """``formula`` of readings and what its result may be off: each reading moved by its spread, alone."""
    values = [reading.value for reading in readings]
    total = 0.0
    for index, reading in enumerate(readings):
        ends = [
            formula(*(value if place != index else value + step for place, value in enumerate(values)))
            for step in (-reading.spread, reading.spread)
        ]
        total += ((ends[1] - ends[0]) / 2.0) ** 2
    return Reading(formula(*values), math.sqrt(total))


def weight(weight_g: float) -> Reading:
    """A kitchen scale's reading, kg."""
    return Reading(units.kg_from_g(weight_g), min(SCALE_KG, units.kg_from_g(weight_g) / 2.0))


def length(length_mm: float) -> Reading:
    """A ruler's reading, m."""
    return Reading(units.m_from_mm(length_mm), min(RULER_M, units.m_from_mm(length_mm) / 2.0))


def period(ten_swings_s: float) -> Reading:
    """Seconds of one whole swing, from ten of them timed by hand."""
    return Reading(ten_swings_s / 10.0, min(HAND_S, ten_swings_s / 2.0) / 10.0)


def swing_inertia(weight_g: float, swing: SwingTable) -> Reading:
    """Inertia about the line through the centre of mass, parallel to the one it swung about, kg m^2.

    The swing must be of one kind: hung from a line, or on two threads. May be negative when it cannot be.
    """
    mass, time, angle = weight(weight_g), period(swing.ten_swings_s), _swing(swing)
    if swing.hung_from_mm is not None:
        return combined(swings.pendulum_central, mass, length(swing.hung_from_mm), time, angle)
    assert swing.threads_apart_mm is not None
    assert swing.thread_mm is not None
    return combined(
        swings.bifilar_inertia, mass, length(swing.threads_apart_mm), length(swing.thread_mm), time, angle
    )


def _swing(swing: SwingTable) -> Reading:
    """The amplitude; nothing said means small, and a small one moves nothing."""
    angle = math.radians(swing.swing_deg)
    return Reading(angle, min(math.radians(SWING_DEG), angle))


@dataclass(frozen=True)
class Friction:
    """What the pulls say, N m: friction, and the torque toward the positive side that is there by itself."""

    friction: Reading
    imbalance: Reading


def friction(pulls: PullsTable) -> Friction:
    """Half the sum of the pulls is friction, half their difference imbalance."""
    negative, positive = (Reading(units.kg_from_g(pull), PULL_KG) for pull in pulls.pull_g)
    arm = length(pulls.pull_at_mm)
    return Friction(
        combined(swings.pull_friction, negative, positive, arm),
        combined(swings.pull_imbalance, negative, positive, arm),
    )


@dataclass(frozen=True)
class Wobble:
    """The neck's own frequency in Hz, and its damping ratio when amplitudes were taken."""

    frequency_hz: Reading
    damping: Reading | None

    @property
    def period_s(self) -> float:
        """Seconds of one wobble."""
        return 1.0 / self.frequency_hz.value


def wobble(film: WobbleTable) -> Wobble:
    """Frequency from the frames of some swings, damping from two amplitudes."""
    frequency = combined(
        lambda frames: swings.wobble_frequency(frames, film.fps, film.swings),
        Reading(film.frames, min(FRAMES, film.frames / 2.0)),
    )
    if film.amplitudes_mm is None:
        return Wobble(frequency, None)
    first, last = (length(amplitude) for amplitude in film.amplitudes_mm)
    damping = combined(lambda one, other: swings.damping_ratio(one, other, film.swings), first, last)
    return Wobble(frequency, damping)


def mean(readings: list[Reading]) -> Reading:
    """Several readings of one thing, the surer ones counting more."""
    weights = [1.0 / max(reading.spread, 1e-15) ** 2 for reading in readings]
    total = sum(weights)
    value = sum(share * reading.value for share, reading in zip(weights, readings, strict=True)) / total
    return Reading(value, 1.0 / math.sqrt(total))
