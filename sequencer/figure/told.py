"""What a reading tells, in words, with what it may be off."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sequencer import units
from sequencer.figure import readings
from sequencer.figure.judge_torque import pull_against_masses
from sequencer.figure.model import Axis, Figure
from sequencer.figure.physics import physics
from sequencer.figure.questions import Question
from sequencer.figure.schema import AxisTable
from sequencer.figure.schema_masses import SwingTable


def swing_words(weight_g: float, swing: SwingTable, weight_off_g: float | None = None) -> str:
    """The inertia that one timed swing tells."""
    reading = readings.swing_inertia(weight_g, swing, weight_off_g)
    if reading.value < reading.spread:
        return (
            f"inertia about `{swing.about}`: less than {_inertia(reading.value + reading.spread)} kg mm2; it "
            "hung too far from its balance point to tell more: hang it nearer"
        )
    words = (
        f"inertia about `{swing.about}` through its balance point: {_inertia(reading.value)} kg mm2, "
        f"+- {100 * reading.relative:.0f} %"
    )
    if reading.relative > 0.3:
        words += ". Hang it nearer to its balance point, and time again: it would be surer"
    return words


def weight_words(weight_g: float, off_g: float | None = None) -> str:
    """What the scale told."""
    return f"{weight_g:g} g, +- {1000 * readings.weight(weight_g, off_g).spread:g} g"


def axis_words(figure: Figure, table: AxisTable, question: Question) -> Iterator[str]:
    """What pulls or a film tell of one axis of ``figure``, which has been read with them."""
    axis = figure.axes[question.name]
    if question.kind == "pulls" and table.pulls is not None:
        pulled = readings.friction(table.pulls)
        yield (
            f"friction of {axis.name}: {_kgcm(pulled.friction.value)} kg cm, "
            f"+- {_kgcm(pulled.friction.spread)}"
        )
        yield (
            f"by itself it goes {toward(axis, pulled.imbalance.value)}, "
            f"+- {_kgcm(pulled.imbalance.spread)} kg cm; {masses_say(figure, axis.name)}"
        )
    if question.kind == "wobble" and table.wobble is not None:
        film = readings.wobble(table.wobble)
        yield (
            f"{axis.name} wobbles at {film.frequency_hz.value:.2f} Hz, +- {film.frequency_hz.spread:.2f}: "
            f"a ramp of {film.period_s:.3f} s leaves it still"
        )
        if table.ramp_s is not None:
            yield f"the file's own ramp_s = {table.ramp_s:g} goes before it: remove that line to use this"
        if film.damping is not None:
            yield (
                f"damping {100 * film.damping.value:.1f} % of critical, +- {100 * film.damping.spread:.1f}"
            )


def masses_say(figure: Figure, axis_name: str) -> str:
    """Gravity and springs at home as they follow from the masses, against what was pulled."""
    pull = pull_against_masses(figure, axis_name, physics(figure, axis_name))
    if pull is None:
        return "nothing was pulled"
    agreed = "they agree" if pull.agree else "they do not agree: weigh and balance the parts again"
    return f"the masses say {toward(figure.axes[axis_name], pull.by_masses_n_m)}: {agreed}"


def toward(axis: Axis, torque_n_m: float) -> str:
    """``down, 1.2 kg cm`` for a torque about an axis."""
    if abs(units.kgcm_from_n_m(torque_n_m)) < 0.005:
        return "nowhere"
    return f"{axis.words[1 if torque_n_m > 0 else 0]}, {_kgcm(abs(torque_n_m))} kg cm"


def _kgcm(torque_n_m: float) -> str:
    return f"{units.kgcm_from_n_m(torque_n_m):.2f}"


def _inertia(inertia_kg_m2: float) -> str:
    """Three digits in kg mm^2, which are grams at a metre's millionth: handy for heads."""
    value = 1e6 * inertia_kg_m2
    digits = max(0, 2 - math.floor(math.log10(value))) if value > 0.0 else 0
    return f"{value:.{digits}f}"
