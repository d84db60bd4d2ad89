"""Everything that is said about a figure, computed once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.errors import FindingsError
from sequencer.figure.judge import all_physics, findings
from sequencer.figure.limits import limits
from sequencer.figure.model import Axis, AxisPhysics, Figure, Limits
from sequencer.finding import Finding


@dataclass(frozen=True)
class Facts:
    """Everything that the sheet and its JSON are made from. ``limits`` lacks axes that cannot be held."""

    figure: Figure
    physics: Mapping[str, AxisPhysics]
    limits: Mapping[str, Limits]
    findings: tuple[Finding, ...]


def facts(figure: Figure) -> Facts:
    """Physics, limits and findings of every axis, computed once."""
    physics = all_physics(figure)
    known: dict[str, Limits] = {}
    for name in figure.axes:
        try:
            known[name] = limits(figure, name, physics[name])
        except FindingsError:
            continue  # told as a finding
    return Facts(figure, physics, known, findings(figure, physics))


def toward(axis: Axis, angle_rad: float) -> str:
    """``left 20`` for an angle, in the figure's words."""
    degrees = math.degrees(angle_rad)
    if abs(degrees) < 0.05:
        return "0"
    return f"{axis.words[1 if degrees > 0 else 0]} {abs(degrees):.3g}"
