"""Two questions of the sheet, in sentences: will it cook, and which supply and fuse."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from sequencer.figure import heat, wiring
from sequencer.figure.current import Draw, draw
from sequencer.figure.drives import servos_of
from sequencer.figure.electric import DROP_SHARE
from sequencer.figure.facts import Facts
from sequencer.figure.model import Figure
from sequencer.figure.physics import stall_at_axis_n_m


def cook(known: Facts) -> Iterator[str]:
    """What holding and stalling does to the windings, and where the numbers come from."""
    figure = known.figure
    for name, axis in figure.axes.items():
        share = known.physics[name].gravity_torque_n_m / stall_at_axis_n_m(figure, axis)
        if share > 0.02:
            servo = figure.servos[servos_of(figure, name)[0]]
            settles = figure.ambient_c + heat.rise_k(figure, servo, min(1.0, share) ** 2)
            yield (
                f"{name}: holding its worst pose takes {100 * share:.0f} % of stall torque and brings the "
                f"winding to about {settles:.0f} C (typical); servos hold 20-50 % for long (rule of thumb)."
            )
    yield from _stalled(figure)
    yield (
        f"It is {figure.ambient_c:g} C inside the head by the file; a closed head is about "
        f"{heat.CLOSED_HEAD_C:g} C warmer than the room (rule of thumb). Feel the servos after ten minutes: "
        "they can be too hot to touch."
    )


def _stalled(figure: Figure) -> Iterator[str]:
    """How long each axis may be held against its stop; the shortest first."""
    times = sorted(
        (time_s, name, heat.thermal(figure.servos[servo]).size)
        for name in figure.axes
        for servo in servos_of(figure, name)[:1]
        if math.isfinite(time_s := heat.time_to_s(figure, figure.servos[servo]))
    )
    if not times:
        return
    time_s, name, size = times[0]
    said = (
        f"A {name} held against its stop reaches {heat.LIMIT_C:g} C in about {heat.rounded_s(time_s)} "
        f"(typical for a {size} servo, good to a factor of two)"
    )
    rest = [other for _, other, _ in times[1:]]
    if rest:
        ends = [heat.rounded_s(times[1][0]), heat.rounded_s(times[-1][0])]
        span = ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
        said += f"; {listed(rest)} in {span}"
    yield said + "."


def listed(names: Sequence[str]) -> str:
    """``turn, nod and tilt``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def supply(known: Facts) -> Iterator[str]:
    """Currents, supply, fuse, wire, grounds, and the resistors of the lamps."""
    figure, source = known.figure, known.figure.supply
    amps = draw(figure, known.physics)
    yield (
        f"All servos stalled at once draw {amps.peak_a:.1f} A (sum of stall currents, common practice); "
        f"on average about {amps.average_a:.1f} A (a guess). The supply gives {amps.rating_a:g} A at "
        f"{source.voltage_v:g} V: "
        + ("enough." if amps.peak_a <= amps.rating_a else f"not enough; fit one of {amps.supply_a:g} A.")
    )
    if amps.fuse_a is not None:
        there = "" if source.fuse_a is None else f" (the file has one of {source.fuse_a:g} A)"
        yield (
            f"Fuse the servos' plus wire at {amps.fuse_a:g} A{there}, next to the supply, and use wire that "
            "carries more than the fuse."
        )
    else:
        yield (
            f"No usual fuse fits between what the servos draw and {amps.rating_a:g} A: "
            "choose the supply first."
        )
    yield from _wire(figure, amps)
    yield (
        "Give the servos their own supply, never the board's 5 V pin, and join the grounds of supply and "
        "board: without a common ground the pulses mean nothing. A USB port gives 0.5 A, less than one "
        "stalled servo."
    )
    for lamp in figure.lamps.values():
        resistor = wiring.resistor_of(lamp)
        if resistor is not None:
            yield (
                f"lamp {lamp.name}: {resistor.ohm:g} ohm (E12), {resistor.rating_w:g} W, lets "
                f"{1000 * resistor.current_a:.0f} mA through and turns {1000 * resistor.power_w:.0f} mW "
                "into heat."
            )


def _wire(figure: Figure, amps: Draw) -> Iterator[str]:
    source = figure.supply
    if source.wire_m is None:
        return
    if amps.drop_v is not None:
        yield (
            f"{source.wire_m:g} m of AWG {source.wire_awg} there and back lose {amps.drop_v:.2f} V when all "
            f"servos stall; at most {100 * DROP_SHARE:.0f} % of {source.voltage_v:g} V should go there "
            "(rule of thumb)."
        )
    elif amps.wire_awg is not None:
        yield (
            f"For {source.wire_m:g} m use AWG {amps.wire_awg} or thicker: it then loses at most "
            f"{100 * DROP_SHARE:.0f} % when all servos stall."
        )
