"""Findings about the machine itself: torque, heat, supply, ends that nobody recorded."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from sequencer.figure import balance, electric, expanders, heat, judge_torque, openings, wiring
from sequencer.figure.current import Draw, draw
from sequencer.figure.drives import first_servo
from sequencer.figure.judge_linkages import linkage_findings
from sequencer.figure.linkage import linkage_of
from sequencer.figure.model import AxisPhysics, Figure
from sequencer.figure.needed import LOAD_SHARE
from sequencer.figure.physics import physics
from sequencer.figure.torque import holding_share
from sequencer.finding import Code, Finding, Severity

#: A servo holds this share of its stall torque for hours (rule of thumb: 20-50 %).
HOLDING_SHARE = 0.2
#: Volts over the highest of the file's datasheet lines: from here doubtful, and here it breaks (common
#: practice: a 6 V servo lives at 7.4 V for a while and burns at 8.4).
DOUBTFUL_VOLTS, BREAKING_VOLTS = 1.1, 1.35
#: Below this share of a servo's lowest voltage in the file its line is a guess (common practice: a servo
#: described at 6 V works from about 4.5 V).
FEW_VOLTS = 0.75
#: A lump's mean density between these; foam has about 15 kg/m3, gold 19 300 (handbook values, from memory).
LIGHTEST_KG_M3, HEAVIEST_KG_M3 = 5.0, 25_000.0
#: Inside a head above this, servo grease and glue suffer (rule of thumb).
WARM_C = 50.0


def all_physics(figure: Figure) -> dict[str, AxisPhysics]:
    """Physics of every axis, in the file's order."""
    return {name: physics(figure, name) for name in figure.axes}


def findings(figure: Figure, facts: Mapping[str, AxisPhysics] | None = None) -> tuple[Finding, ...]:
    """Everything about the figure that is wrong or doubtful, worst first."""
    known = all_physics(figure) if facts is None else facts
    found = [
        *judge_torque.findings(figure, known),
        *_supply(figure, draw(figure, known)),
        *_heat(figure, known),
        *_ends(figure),
        *_masses(figure),
        *linkage_findings(figure),
        *wiring.findings(figure),
        *openings.findings(figure),
        *balance.findings(figure),
        *expanders.findings(figure),
    ]
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(found, key=lambda finding: order[finding.severity]))


def _about(
    code: Code,
    severity: Severity,
    channel: str | None,
    value: float | None,
    limit: float | None,
    unit: str | None,
    message: str,
    remedy: str,
) -> Finding:
    return Finding(code, severity, None, channel, None, value, limit, unit, message, remedy)


def _masses(figure: Figure) -> Iterator[Finding]:
    """Lumps lighter than foam or heavier than gold: most likely a slip of the unit."""
    for mass in figure.masses.values():
        mean = sum(row[index] for index, row in enumerate(mass.inertia_kg_m2)) / 3.0
        if mean <= 0.0:
            continue
        # The ball of this mass and mean inertia: I = 2/5 m r^2 (handbook mechanics).
        radius_m = math.sqrt(2.5 * mean / mass.mass_kg)
        density = mass.mass_kg / (4.0 / 3.0 * math.pi * radius_m**3)
        if LIGHTEST_KG_M3 <= density <= HEAVIEST_KG_M3:
            continue
        light = density < LIGHTEST_KG_M3
        limit = LIGHTEST_KG_M3 if light else HEAVIEST_KG_M3
        yield _about(
            *("reach", "warning", mass.name, density, limit, "kg/m3"),
            f"mass {mass.name}: {mass.mass_kg * 1000:.3g} g in this shape is "
            + ("lighter than foam" if light else "heavier than gold"),
            "give the weight in grams and the sizes in millimetres",
        )


def _supply(figure: Figure, amps: Draw) -> Iterator[Finding]:
    rating = amps.rating_a
    if amps.average_a > rating:
        yield _about(
            "supply",
            "error",
            None,
            amps.average_a,
            rating,
            "A",
            f"the servos draw about {amps.average_a:.1f} A on average, the supply gives {rating:g} A",
            f"fit a supply of {amps.supply_a:g} A",
        )
    elif amps.peak_a > rating:
        yield _about(
            "supply",
            "warning",
            None,
            amps.peak_a,
            rating,
            "A",
            f"all servos stalled at once draw {amps.peak_a:.1f} A, the supply gives {rating:g} A",
            f"fit a supply of {amps.supply_a:g} A, or let fewer servos start together",
        )
    yield from _line(figure, amps)
    yield from _volts(figure)
    yield from _few_volts(figure)


def _few_volts(figure: Figure) -> Iterator[Finding]:
    """Servos that get so few volts that nothing in the file tells whether they work at all."""
    volts = figure.supply.voltage_v
    lowest = {
        name: servo.at_v if servo.low_line is None else servo.low_line.at_v
        for name, servo in figure.servos.items()
    }
    # One supply feeds them all: more volts are named only where every servo bears and does with them.
    safe = min((servo.at_v for servo in figure.servos.values()), default=volts)
    does = all(safe >= FEW_VOLTS * line_v for line_v in lowest.values())
    better = f"set the supply to {safe:g} V and write voltage_v = {safe:g}; or " if does else ""
    for name, line_v in lowest.items():
        if volts < FEW_VOLTS * line_v:
            yield _about(
                "supply",
                "warning",
                name,
                volts,
                FEW_VOLTS * line_v,
                "V",
                f"servo `{name}` is described at {line_v:g} V and gets voltage_v = {volts:g}: so far below, "
                "it may twitch or not turn at all (common practice)",
                f"{better}fit a servo whose datasheet has a line for {volts:g} V",
            )


def _volts(figure: Figure) -> Iterator[Finding]:
    """Servos that get more volts than any of their datasheet's lines is for."""
    volts = figure.supply.voltage_v
    # One supply feeds them all: what the most delicate servo bears cures every one of these findings.
    safe = min((servo.at_v for servo in figure.servos.values()), default=volts)
    for servo in figure.servos.values():
        share = volts / servo.at_v
        if share <= DOUBTFUL_VOLTS:
            continue
        breaks = share > BREAKING_VOLTS
        yield _about(
            "supply",
            "error" if breaks else "warning",
            servo.name,
            volts,
            (BREAKING_VOLTS if breaks else DOUBTFUL_VOLTS) * servo.at_v,
            "V",
            f"servo `{servo.name}` is described at {servo.at_v:g} V and gets voltage_v = {volts:g}: "
            + (
                f"more than {BREAKING_VOLTS:g} times as much burns it (common practice)"
                if breaks
                else "it may not bear that for long"
            ),
            f"set the supply to {safe:g} V and write voltage_v = {safe:g}; or, if its datasheet has a line "
            f"for {volts:g} V, write that line with at_v = {volts:g}",
        )


def _line(figure: Figure, amps: Draw) -> Iterator[Finding]:
    """The fuse and the wire that the file tells of, against each other, the supply and the servos."""
    supply = figure.supply
    fuse = supply.fuse_a
    better = f"fit a fuse of {amps.fuse_a:g} A" if amps.fuse_a is not None else "choose the supply first"
    if fuse is not None and fuse > supply.rating_a:
        yield _about(
            "supply",
            "warning",
            None,
            fuse,
            supply.rating_a,
            "A",
            f"the fuse of {fuse:g} A never blows: the supply gives no more than {supply.rating_a:g} A",
            better,
        )
    if fuse is not None and fuse < amps.average_a:
        yield _about(
            "supply",
            "warning",
            None,
            amps.average_a,
            fuse,
            "A",
            f"the servos draw about {amps.average_a:.1f} A on average, which blows a fuse of {fuse:g} A",
            better,
        )
    if supply.wire_awg is None:
        return
    carries = electric.WIRE_A[supply.wire_awg]
    if fuse is not None and fuse > carries:
        yield _about(
            "supply",
            "warning",
            None,
            fuse,
            carries,
            "A",
            f"AWG {supply.wire_awg} carries about {carries:g} A for long (common practice) and burns before "
            f"the fuse of {fuse:g} A blows",
            f"use AWG {_wire_that_carries(fuse)}, or a fuse of {carries:g} A or less",
        )
    allowed = electric.DROP_SHARE * supply.voltage_v
    if amps.drop_v is not None and supply.wire_m is not None and amps.drop_v > allowed:
        nearer = electric.longest_run_m(supply.wire_awg, amps.peak_a, allowed)
        thicker = f"use wire_awg = {amps.wire_awg}" if amps.wire_awg else "run several wires"
        yield _about(
            "supply",
            "warning",
            None,
            amps.drop_v,
            allowed,
            "V",
            f"{supply.wire_m:g} m of AWG {supply.wire_awg} there and back lose {amps.drop_v:.2f} V of "
            f"{supply.voltage_v:g} V when all servos stall ({amps.peak_a:.1f} A)",
            f"{thicker}, or bring the supply within {math.floor(nearer * 100) / 100:g} m",
        )


def _wire_that_carries(amps: float) -> str:
    awg = next((awg for awg, carries in electric.WIRE_A.items() if carries >= amps), None)
    return "16, several in parallel" if awg is None else str(awg)


def _heat(figure: Figure, facts: Mapping[str, AxisPhysics]) -> Iterator[Finding]:
    for name, axis in figure.axes.items():
        share = holding_share(figure, name)
        if share > HOLDING_SHARE and linkage_of(figure, name).axes[0] == name:
            servo = figure.servos[first_servo(figure, axis)]
            lasts = heat.time_to_s(figure, servo, min(1.0, share))
            hot = math.isfinite(lasts)
            # What is told to be too heavy already needs no note that says so again.
            if facts[name].available_torque_n_m <= 0.0 or (
                not hot and 1.0 - facts[name].torque_margin > LOAD_SHARE
            ):
                continue
            yield _about(
                "heat",
                "warning" if hot else "note",
                name,
                100.0 * share,
                100.0 * HOLDING_SHARE,
                "%",
                f"{judge_torque.together(figure, name)}: holding the worst pose takes {100 * share:.0f} % of "
                "the servo's stall torque; servos hold 20-50 % for long (rule of thumb)"
                + (
                    f"; held there it reaches {heat.LIMIT_C:g} C in about {lasts:.0f} s (typical)"
                    if hot
                    else ""
                ),
                "balance it, or let scenes rest elsewhere, and feel the servo after ten minutes",
            )
    if figure.ambient_c > WARM_C:
        yield _about(
            "heat",
            "warning",
            None,
            figure.ambient_c,
            WARM_C,
            "C",
            f"it is {figure.ambient_c:g} C inside the head",
            "let air through the head: holes below and above the servos",
        )


def _ends(figure: Figure) -> Iterator[Finding]:
    for servo in figure.servos.values():
        if servo.ends_us is None:
            yield _about(
                "range",
                "note",
                servo.name,
                None,
                None,
                None,
                f"servo `{servo.name}` has no recorded ends: nobody has checked where its mechanism binds",
                f"quarterjack calibrate --only {servo.name} finds and writes them",
            )
