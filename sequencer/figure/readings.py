"""Readings that anyone can take with kitchen tools, and what each result may be off.

The raw readings stay in ``figure.toml``; the arithmetic of :mod:`.swings` is done here, and what each may be
off is carried through it: its ``spread`` in the file, or the tool's resolution where none is told.
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


def usual_off(key: str, value: float) -> float:
    """What the tool for the reading ``key`` may be off, in the key's unit, at most half of ``value``.

    A swing's angle, seen by eye, may be all of it off; a pull and a balance point may be zero themselves.
    """
    if key == "pull_g":
        return 1000.0 * PULL_KG
    if key == "balance_mm":
        return 1000.0 * RULER_M
    if key == "swing_deg":
        return min(SWING_DEG, value)
    tools = {"weight_g": 1000.0 * SCALE_KG, "ten_swings_s": HAND_S, "frames": FRAMES}
    return min(tools.get(key, 1000.0 * RULER_M), value / 2.0)


def _off(key: str, value: float, off: float | None) -> float:
    """The spread that was told, or else the tool's."""
    return usual_off(key, value) if off is None else off


def weight(weight_g: float, off_g: float | None = None) -> Reading:
    """A kitchen scale's reading, kg."""
    return Reading(units.kg_from_g(weight_g), units.kg_from_g(_off("weight_g", weight_g, off_g)))


def length(length_mm: float, off_mm: float | None = None) -> Reading:
    """A ruler's reading, m."""
    return Reading(units.m_from_mm(length_mm), units.m_from_mm(_off("length_mm", length_mm, off_mm)))


def period(ten_swings_s: float, off_s: float | None = None) -> Reading:
    """Seconds of one whole swing, from ten of them timed by hand."""
    return Reading(ten_swings_s / 10.0, _off("ten_swings_s", ten_swings_s, off_s) / 10.0)


def swing_inertia(weight_g: float, swing: SwingTable, weight_off_g: float | None = None) -> Reading:
    """Inertia about the line through the centre of mass, parallel to the one it swung about, kg m^2.

    The swing must be of one kind: hung from a line, or on two threads. May be negative when it cannot be.
    """
    off = swing.spread
    mass, time = weight(weight_g, weight_off_g), period(swing.ten_swings_s, off.ten_swings_s)
    angle = _swing(swing)
    if swing.hung_from_mm is not None:
        arm = length(swing.hung_from_mm, off.hung_from_mm)
        return combined(swings.pendulum_central, mass, arm, time, angle)
    assert swing.threads_apart_mm is not None
    assert swing.thread_mm is not None
    apart = length(swing.threads_apart_mm, off.threads_apart_mm)
    return combined(swings.bifilar_inertia, mass, apart, length(swing.thread_mm, off.thread_mm), time, angle)


def _swing(swing: SwingTable) -> Reading:
    """The amplitude; nothing said means small, and a small one moves nothing."""
    off = _off("swing_deg", swing.swing_deg, swing.spread.swing_deg)
    return Reading(math.radians(swing.swing_deg), math.radians(off))


@dataclass(frozen=True)
class Friction:
    """What the pulls say, N m: friction, and the torque toward the positive side that is there by itself."""

    friction: Reading
    imbalance: Reading


def friction(pulls: PullsTable) -> Friction:
    """Half the sum of the pulls is friction, half their difference imbalance."""
    negative, positive = (
        Reading(units.kg_from_g(pull), units.kg_from_g(_off("pull_g", pull, pulls.spread.pull_g)))
        for pull in pulls.pull_g
    )
    arm = length(pulls.pull_at_mm, pulls.spread.pull_at_mm)
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
        Reading(film.frames, _off("frames", film.frames, film.spread.frames)),
    )
    if film.amplitudes_mm is None:
        return Wobble(frequency, None)
    off = film.spread.amplitudes_mm
    first, last = (
        # One spread for both; what is left of the wobble at its end is never known to be nothing.
        length(amplitude, None if off is None else min(off, amplitude / 2.0))
        for amplitude in film.amplitudes_mm
    )
    damping = combined(lambda one, other: swings.damping_ratio(one, other, film.swings), first, last)
    return Wobble(frequency, damping)


def mean(readings: list[Reading]) -> Reading:
    """Several readings of one thing, the surer ones counting more."""
    weights = [1.0 / max(reading.spread, 1e-15) ** 2 for reading in readings]
    total = sum(weights)
    value = sum(share * reading.value for share, reading in zip(weights, readings, strict=True)) / total
    return Reading(value, 1.0 / math.sqrt(total))
