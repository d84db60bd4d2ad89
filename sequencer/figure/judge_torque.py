"""Findings about torque: cannot hold, too heavy, unsure; springs, balance and joints that are not as meant.

Only what cannot be held is an error, because it cannot be planned either. What was not measured widens
the range that is told and is at most a note.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping

import numpy as np

from sequencer.figure import doubt
from sequencer.figure.chain import Chain, spring_torque_n_m
from sequencer.figure.drives import servos_of
from sequencer.figure.limits import cannot_hold
from sequencer.figure.linkage import linkage_of
from sequencer.figure.model import AxisPhysics, DirectDrive, Figure
from sequencer.figure.needed import LOAD_SHARE, fit_words, servo_needed_kgcm
from sequencer.figure.physics import physics, stall_at_axis_n_m
from sequencer.figure.servo_line import line_at
from sequencer.finding import Finding, Severity
from sequencer.units import kgcm_from_n_m

#: A load that may be this share of stall, by its range, leaves nothing at top speed.
UNSURE_SHARE = 0.5
#: A joint with more friction than this share of stall was tightened too far (typical is a third of it).
TIGHT_SHARE = 0.15


def _about(
    severity: Severity,
    channel: str,
    value: float,
    limit: float | None,
    unit: str,
    message: str,
    remedy: str,
) -> Finding:
    return Finding("torque", severity, None, channel, None, value, limit, unit, message, remedy)


def findings(figure: Figure, facts: Mapping[str, AxisPhysics]) -> Iterator[Finding]:
    """Findings about torque, axis by axis; ``facts`` has the physics of each."""
    for name, axis in figure.axes.items():
        fact = facts[name]
        names = servos_of(figure, name)
        direct = isinstance(axis.drive, DirectDrive)
        # At the axis for a direct drive; through a linkage at the servo that is loaded most.
        stall = kgcm_from_n_m(
            stall_at_axis_n_m(figure, axis)
            if direct
            else min(line_at(figure, figure.servos[servo]).stall_n_m for servo in names)
        )
        load = (1.0 - fact.torque_margin) * stall
        told = doubt.load(figure, axis, fact).share
        range_words = f"{doubt.percent(told)} of stall, as sure as the file is" if told.high > 0.0 else ""
        whose = "its servo" if len(names) == 1 else f"each of its servos `{names[0]}` and `{names[1]}`"
        # The axes of a pair have their load in common: told once.
        first = direct or linkage_of(figure, name).axes[0] == name
        if fact.available_torque_n_m <= 0.0:
            fault = cannot_hold(figure, name, fact)
            remedy = fault.remedy or ""
            yield _about("error", name, load, stall / 2.0, "kg cm", fault.message, remedy)
        elif load > stall * LOAD_SHARE and first:
            yield _about(
                "warning",
                name,
                load,
                stall * LOAD_SHARE,
                "kg cm",
                f"{together(figure, name)}: gravity and friction take {load:.1f} kg cm, more than a third "
                f"of the {stall:.1f} kg cm that {whose} really has (common practice: at most a third; "
                f"{range_words})",
                "balance it with a counterweight or spring before you "
                + fit_words(figure, name, servo_needed_kgcm(figure, name)),
            )
        elif told.high > UNSURE_SHARE and first:
            yield _about(
                "note",
                name,
                100.0 * told.high,
                100.0 * UNSURE_SHARE,
                "%",
                f"{together(figure, name)}: gravity and friction take {range_words}; at the upper end it "
                "could not be moved quickly",
                _what_to_measure(figure, name),
            )
        yield from _spring(figure, name)
        yield from _tight(figure, name)
        yield from _pulled(figure, name, fact)
        if fact.inertia_kg_m2 == 0.0:
            yield _about(
                "note",
                name,
                0.0,
                None,
                "kg m2",
                f"{name}: the file tells of no mass that it carries, so its acceleration is a guess",
                f'describe what it moves as [masses.NAME] with carried_by = "{name}"',
            )


def together(figure: Figure, axis_name: str) -> str:
    """The axes that hold together, for a sentence: ``nod and tilt``."""
    return " and ".join(linkage_of(figure, axis_name).axes)


def _what_to_measure(figure: Figure, axis_name: str) -> str:
    """The reading that narrows an axis's load most, for a figure that is not built wrong but unknown."""
    axis = figure.axes[axis_name]
    rub = doubt.friction(axis)
    pull = doubt.gravity(figure, axis, physics(figure, axis_name))
    if axis.pulled is None and rub.high - rub.low < pull.high - pull.low:
        return f'weigh and balance what {axis_name} carries, and mark it basis = "measured"'
    return f"pull {axis_name} both ways with a luggage scale: `quarterjack measure`"


def _spring(figure: Figure, axis_name: str) -> Iterator[Finding]:
    """A spring that makes the worst pose worse, or that could do much more."""
    axis = figure.axes[axis_name]
    if axis.spring is None:
        return
    without = dataclasses.replace(axis, spring=None)
    bare = Chain(dataclasses.replace(figure, axes={**figure.axes, axis_name: without}), axis_name)
    least, greatest = bare.holding_range_n_m()
    alone = max(-least, greatest, 0.0)
    sprung = Chain(figure, axis_name).worst_gravity_n_m()
    if sprung <= alone + 1e-9:
        return
    middle = math.degrees(sum(axis.range_rad) / 2.0)
    best = kgcm_from_n_m((least + greatest) / 2.0)
    yield _about(
        "warning",
        axis_name,
        kgcm_from_n_m(sprung),
        kgcm_from_n_m(alone),
        "kg cm",
        f"{axis_name}: its spring makes holding harder, {kgcm_from_n_m(sprung):.2f} kg cm at the worst pose "
        f"instead of {kgcm_from_n_m(alone):.2f} without it",
        f"spring torque of {best:.2f} kg cm at {middle:.0f} deg would suit it best (positive pulls toward "
        f"{axis.words[1]}), or take the spring off",
    )


@dataclasses.dataclass(frozen=True)
class Pull:
    """A luggage scale against the masses at home, N m: what they say, how far apart, how far that may be."""

    by_masses_n_m: float
    apart_n_m: float
    allowed_n_m: float

    @property
    def agree(self) -> bool:
        """Whether both can be true."""
        return self.apart_n_m <= self.allowed_n_m


def pull_against_masses(figure: Figure, axis_name: str, fact: AxisPhysics) -> Pull | None:
    """What the masses and springs say of the torque that was pulled; None when nobody pulled."""
    axis = figure.axes[axis_name]
    if axis.pulled is None:
        return None
    at_home = spring_torque_n_m(axis.spring, np.array([axis.home_rad]))
    by_masses = Chain(figure, axis_name).gravity_n_m({}) + float(at_home[0])
    unsure = (
        doubt.gravity(figure, dataclasses.replace(axis, pulled=None), fact).high - fact.gravity_torque_n_m
    )
    allowed = 2.0 * math.hypot(axis.pulled.spread_n_m, unsure)
    return Pull(by_masses, abs(axis.pulled.imbalance_n_m - by_masses), allowed)


def _pulled(figure: Figure, axis_name: str, fact: AxisPhysics) -> Iterator[Finding]:
    """A luggage scale that disagrees with the masses, which limits count with, beyond both spreads."""
    axis = figure.axes[axis_name]
    pull = pull_against_masses(figure, axis_name, fact)
    if axis.pulled is None or pull is None or pull.agree:
        return
    yield _about(
        "warning",
        axis_name,
        kgcm_from_n_m(pull.apart_n_m),
        kgcm_from_n_m(pull.allowed_n_m),
        "kg cm",
        f"{axis_name}: at home the luggage scale says {kgcm_from_n_m(axis.pulled.imbalance_n_m):.2f} kg cm "
        f"toward {axis.words[1]}, the masses and springs of the file say "
        f"{kgcm_from_n_m(pull.by_masses_n_m):.2f}; "
        "limits count with the masses",
        "weigh and balance the parts again, the heaviest first, or look for what is missing in [masses]",
    )


def _tight(figure: Figure, axis_name: str) -> Iterator[Finding]:
    """Friction that was measured and is more than a joint should have."""
    axis = figure.axes[axis_name]
    stall = stall_at_axis_n_m(figure, axis)
    if axis.friction_basis != "measured" or axis.friction_n_m <= TIGHT_SHARE * stall:
        return
    measured, usual = kgcm_from_n_m(axis.friction_n_m), kgcm_from_n_m(TIGHT_SHARE * stall)
    yield _about(
        "warning",
        axis_name,
        measured,
        usual,
        "kg cm",
        f"{axis_name}: friction takes {measured:.2f} kg cm, {100.0 * axis.friction_n_m / stall:.0f} % of "
        "what its servo has; a joint is usually below 5 %",
        f"loosen the joint until a luggage scale 100 mm from the axis reads less than {100.0 * usual:.0f} g",
    )
