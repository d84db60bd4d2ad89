"""Times and angles as a scene writes them, for what the author is told."""

from __future__ import annotations

import math

from sequencer.figure.model import Axis
from sequencer.units import deg_from_rad, rad_from_deg


def clock(seconds: float) -> str:
    """``0:02.50``: a time as a scene writes it, to the hundredth."""
    hundredths = round(seconds * 100)
    return f"{hundredths // 6000}:{hundredths % 6000 / 100:05.2f}"


def two(seconds: float) -> str:
    """A duration to the hundredth, a tiny one to the thousandth."""
    return f"{seconds:.2f}" if seconds >= 0.01 else f"{seconds:.3f}"


def up(seconds: float) -> float:
    """``seconds`` rounded up to what one would write."""
    return math.ceil(seconds * 100 - 1e-6) / 100


def angle_words(axis: Axis, angle_rad: float, digits: int = 1) -> str:
    """``turn left 20``: an angle in the figure's own words."""
    degrees = round(deg_from_rad(angle_rad), digits)
    if degrees == 0:
        return f"{axis.name} 0"
    return f"{axis.name} {axis.words[degrees > 0]} {abs(degrees):g}"


def tenth_toward(angle_rad: float, begin_rad: float) -> float:
    """``angle_rad`` to a tenth of a degree, rounded toward ``begin_rad`` (never beyond the angle)."""
    tenths = deg_from_rad(angle_rad) * 10
    whole = math.floor(tenths + 1e-7) if angle_rad >= begin_rad else math.ceil(tenths - 1e-7)
    return rad_from_deg(whole / 10)
