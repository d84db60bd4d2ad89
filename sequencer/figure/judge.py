"""Findings about the machine itself: torque, heat, supply, ends that nobody recorded."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping

from sequencer.figure import doubt, electric, heat, openings, wiring
from sequencer.figure.chain import Chain
from sequencer.figure.current import Draw, draw
from sequencer.figure.drives import first_servo, servos_of
from sequencer.figure.limits import cannot_hold, servo_needed_kgcm
from sequencer.figure.linkage import linkage_of
from sequencer.figure.model import AxisPhysics, DirectDrive, Figure
from sequencer.figure.physics import physics, stall_at_axis_n_m
from sequencer.figure.servo_line import line_at
from sequencer.figure.torque import holding_share
from sequencer.finding import Code, Finding, Severity
from sequencer.units import kgcm_from_n_m

#: Moving load at most this share of stall torque (common practice).
LOAD_SHARE = 1.0 / 3.0
#: A load that may be this share of stall, by its range, leaves nothing at top speed.
UNSURE_SHARE = 0.5
#: A joint with more friction than this share of stall was tightened too far (typical is a third of it).
TIGHT_SHARE = 0.15
#: A servo holds this share of its stall torque for hours (rule of thumb: 20-50 %).
HOLDING_SHARE = 0.2
#: Inside a head above this, servo grease and glue suffer (rule of thumb).
WARM_C = 50.0


def all_physics(figure: Figure) -> dict[str, AxisPhysics]:
    """Physics of every axis, in the file's order."""
    return {name: physics(figure, name) for name in figure.axes}


def findings(figure: Figure, facts: Mapping[str, AxisPhysics] | None = None) -> tuple[Finding, ...]:
    """Everything about the figure that is wrong or doubtful, worst first."""
    known = all_physics(figure) if facts is None else facts
    found = [
        *_torque(figure, known),
        *_supply(figure, draw(figure, known)),
        *_heat(figure),
        *_ends(figure),
        *wiring.findings(figure),
        *openings.findings(figure),
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


def _torque(figure: Figure, facts: Mapping[str, AxisPhysics]) -> Iterator[Finding]:
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
            yield _about("torque", "error", name, load, stall / 2.0, "kg cm", fault.message, remedy)
        elif load > stall * LOAD_SHARE and first:
            needed = servo_needed_kgcm(figure, name, fact)
            yield _about(
                "torque",
                "warning",
                name,
                load,
                stall * LOAD_SHARE,
                "kg cm",
                f"{_together(figure, name)}: gravity and friction take {load:.1f} kg cm, more than a third "
                f"of the {stall:.1f} kg cm that {whose} really has (common practice: at most a third; "
                f"{range_words})",
                f"balance it with a counterweight or spring before you fit a servo of {needed:.0f} kg cm",
            )
        elif told.high > UNSURE_SHARE and first:
            yield _about(
                "torque",
                "note",
                name,
                100.0 * told.high,
                100.0 * UNSURE_SHARE,
                "%",
                f"{_together(figure, name)}: gravity and friction take {range_words}; at the upper end it "
                "could not be moved quickly",
                _what_to_measure(figure, name),
            )
        yield from _spring(figure, name)
        yield from _tight(figure, name)
        if fact.inertia_kg_m2 == 0.0:
            yield _about(
                "torque",
                "note",
                name,
                0.0,
                None,
                "kg m2",
                f"{name}: the file tells of no mass that it carries, so its acceleration is a guess",
                f'describe what it moves as [masses.NAME] with carried_by = "{name}"',
            )


def _together(figure: Figure, axis_name: str) -> str:
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
        "torque",
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


def _tight(figure: Figure, axis_name: str) -> Iterator[Finding]:
    """Friction that was measured and is more than a joint should have."""
    axis = figure.axes[axis_name]
    stall = stall_at_axis_n_m(figure, axis)
    if axis.friction_basis != "measured" or axis.friction_n_m <= TIGHT_SHARE * stall:
        return
    measured, usual = kgcm_from_n_m(axis.friction_n_m), kgcm_from_n_m(TIGHT_SHARE * stall)
    yield _about(
        "torque",
        "warning",
        axis_name,
        measured,
        usual,
        "kg cm",
        f"{axis_name}: friction takes {measured:.2f} kg cm, {100.0 * axis.friction_n_m / stall:.0f} % of "
        "what its servo has; a joint is usually below 5 %",
        f"loosen the joint until a luggage scale 100 mm from the axis reads less than {100.0 * usual:.0f} g",
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
    for servo in figure.servos.values():
        if figure.supply.voltage_v > 1.1 * servo.at_v:
            yield _about(
                "supply",
                "warning",
                servo.name,
                figure.supply.voltage_v,
                servo.at_v,
                "V",
                f"servo `{servo.name}` is described at {servo.at_v:g} V "
                f"and gets {figure.supply.voltage_v:g} V",
                "check the highest voltage in its datasheet; use the datasheet line for this voltage",
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


def _heat(figure: Figure) -> Iterator[Finding]:
    for name, axis in figure.axes.items():
        share = holding_share(figure, name)
        if share > HOLDING_SHARE and linkage_of(figure, name).axes[0] == name:
            servo = figure.servos[first_servo(figure, axis)]
            lasts = heat.time_to_s(figure, servo, min(1.0, share))
            hot = math.isfinite(lasts)
            yield _about(
                "heat",
                "warning" if hot else "note",
                name,
                100.0 * share,
                100.0 * HOLDING_SHARE,
                "%",
                f"{_together(figure, name)}: holding the worst pose takes {100 * share:.0f} % of the servo's "
                "stall torque; servos hold 20-50 % for long (rule of thumb)"
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
                "record them with `quarterjack bench`, horn off first, and write ends_us",
            )
