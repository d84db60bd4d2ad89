"""What the servos draw from their supply, and which fuse protects the wires."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.figure.drives import axes_of
from sequencer.figure.model import AxisPhysics, Figure

#: A guess at what a servo draws on average while it performs, as a share of its stall current.
TYPICAL_AVERAGE = 0.1
#: Blade and glass fuses that shops carry, amperes.
FUSES_A = (1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)


@dataclass(frozen=True)
class Draw:
    """Currents in amperes. ``peak_a``: all servos stalled at once; ``average_a``: a guess."""

    peak_a: float
    average_a: float
    rating_a: float
    fuse_a: float | None


def draw(figure: Figure, facts: Mapping[str, AxisPhysics]) -> Draw:
    """Peak (sum of simultaneous stall currents, common practice), average and a fuse between them.

    ``facts`` has the physics of each axis. A servo holds with that share of its stall current which
    gravity and friction take of its torque. The fuse is the smallest that carries half of the peak
    and one and a half times the average; None when that is more than the supply can give.
    """
    load = {
        servo: max((1.0 - facts[axis].torque_margin for axis in axes_of(figure, servo)), default=0.0)
        for servo in figure.servos
    }
    peak = sum(servo.stall_a for servo in figure.servos.values())
    average = sum(
        servo.stall_a * min(1.0, max(TYPICAL_AVERAGE, load[name])) for name, servo in figure.servos.items()
    )
    wanted = max(peak / 2.0, 1.5 * average)
    fuse = next((size for size in FUSES_A if size >= wanted), None)
    if fuse is not None and fuse > figure.supply.rating_a:
        fuse = None
    return Draw(peak_a=peak, average_a=average, rating_a=figure.supply.rating_a, fuse_a=fuse)
