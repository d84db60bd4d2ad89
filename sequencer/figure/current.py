"""What the servos draw from their supply, and which supply, fuse and wire stand it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.figure import electric
from sequencer.figure.drives import axes_of
from sequencer.figure.heat import stall_current_a
from sequencer.figure.model import AxisPhysics, Figure

#: A guess at what a servo draws on average while it performs, as a share of its stall current.
TYPICAL_AVERAGE = 0.1
#: What a servo draws when it turns with nothing to do, as a share of its stall current (typical).
TYPICAL_NO_LOAD = 0.08


@dataclass(frozen=True)
class Draw:
    """Currents in amperes. ``peak_a``: all servos stalled at once; ``average_a``: a guess.

    ``fuse_a`` is the fuse to fit, None when none goes between the servos and the rating; ``supply_a``
    the usual supply that gives the peak; ``drop_v`` what the wire of the file loses at the peak (None
    when the file tells of no wire), ``wire_awg`` the thinnest that is good for the peak and the fuse.
    """

    peak_a: float
    average_a: float
    rating_a: float
    fuse_a: float | None
    supply_a: float
    drop_v: float | None
    wire_awg: int | None


def draw(figure: Figure, facts: Mapping[str, AxisPhysics]) -> Draw:
    """Peak (sum of simultaneous stall currents, common practice), average, and what follows from them.

    ``facts`` has the physics of each axis. A servo holds with that share of its stall current which
    gravity and friction take of its torque.
    """
    load = {
        servo: max((1.0 - facts[axis].torque_margin for axis in axes_of(figure, servo)), default=0.0)
        for servo in figure.servos
    }
    stalled = {name: stall_current_a(figure, servo) for name, servo in figure.servos.items()}
    peak = sum(stalled.values())
    average = sum(amps * min(1.0, max(TYPICAL_AVERAGE, load[name])) for name, amps in stalled.items())
    supply = figure.supply
    fuse = electric.fuse_for(peak, average, supply.rating_a)
    drop = wire = None
    if supply.wire_m is not None:
        allowed = electric.DROP_SHARE * supply.voltage_v
        wire = electric.wire_for(supply.wire_m, peak, allowed, supply.fuse_a or fuse or 0.0)
        if supply.wire_awg is not None:
            drop = electric.voltage_drop_v(supply.wire_awg, supply.wire_m, peak)
    return Draw(
        peak_a=peak,
        average_a=average,
        rating_a=supply.rating_a,
        fuse_a=fuse,
        supply_a=electric.supply_for(peak),
        drop_v=drop,
        wire_awg=wire,
    )


def no_load_a(figure: Figure, servo_name: str) -> float:
    """What a servo draws for turning alone, amperes (typical)."""
    return TYPICAL_NO_LOAD * stall_current_a(figure, figure.servos[servo_name])
