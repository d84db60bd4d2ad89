"""The tables of a figure file, all checked, turned into SI and frozen values."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

from sequencer import units
from sequencer.figure import build_linkages, build_outputs, catalogue, colours, readings
from sequencer.figure.explain import Reporter
from sequencer.figure.gearing import gearing
from sequencer.figure.lumps import Lump
from sequencer.figure.model import (
    Axis,
    Basis,
    Board,
    Expander,
    Figure,
    Input,
    Lamp,
    LowVoltageLine,
    Mass,
    Opening,
    Pulled,
    Servo,
    Supply,
    Switch,
)
from sequencer.figure.parts import Parts
from sequencer.figure.schema import AxisTable, ServoTable, TopTable
from sequencer.figure.schema_masses import MassTable

#: Share of the printed speed and torque that a hobby servo gives (common practice: 60-70 %).
TYPICAL_DERATING = 0.65
#: Typical friction of bearings, skins and wires: this share of the servo's derated stall torque at the axis.
TYPICAL_FRICTION = 0.05
#: Typical stall current, amperes: micro and standard servos; the border is in kg cm of printed stall torque.
TYPICAL_STALL_A = (1.0, 2.5)
MICRO_BELOW_KGCM = 4.0
#: Share of stall torque that a servo gives for hours (rule of thumb: 0.2-0.5).
TYPICAL_CONTINUOUS = 0.25
#: The keys that make a servo's torque and speed.
_LINE = {"speed_s_per_60deg", "stall_kgcm", "at_v"}
#: The speed at which ``drag_kgcm`` is given, degrees a second.
DRAG_AT_DEG_S = 100.0
#: Frame of the servo pulses, seconds.
FRAME_S = 0.02


def figure(parts: Parts, top: TopTable, reporter: Reporter, file: str, lumps: Mapping[str, Lump]) -> Figure:
    """The figure that ``parts`` describe, all checked; ``lumps`` are their masses.

    Friction that nobody measured is still 0: :func:`with_friction` needs the linkages' geometry.
    """
    return Figure(
        name=top.name,
        servos={name: _servo(name, table, reporter) for name, table in parts.servos.items()},
        axes={name: _axis(name, table, parts, reporter) for name, table in parts.axes.items()},
        pairs=build_linkages.pairs(parts, reporter),
        clearances=build_linkages.clearances(parts, reporter),
        masses={name: _mass(name, table, lumps[name], reporter) for name, table in parts.masses.items()}
        | build_linkages.counterweights(parts, reporter),
        lamps={
            name: Lamp(
                name=name,
                pin=build_outputs.pins(lamp)[0],
                rest=lamp.rest_percent / 100.0,
                active_low=lamp.active_low,
                current_a=lamp.current_ma / 1000.0,
                supply_v=lamp.supply_v,
                forward_v=lamp.forward_v,
                through=lamp.through,
                line=reporter.line(("lamps", name)),
                colour=colours.colour(lamp.colour),
                pins=build_outputs.pins(lamp),
            )
            for name, lamp in parts.lamps.items()
        },
        switches={
            name: Switch(
                name=name,
                pin=switch.pin,
                lead_s=switch.lead_ms / 1000.0,
                strike_s=switch.strike_ms / 1000.0,
                max_on_s=switch.max_on_s,
                active_low=switch.active_low,
                line=reporter.line(("switches", name)),
            )
            for name, switch in parts.switches.items()
        },
        inputs={
            name: Input(
                name=name,
                kind=source.kind,
                pin=source.pin,
                active_low=source.active_low,
                pull_up=source.pull_up,
                debounce_s=source.debounce_ms / 1000.0,
                line=reporter.line(("inputs", name)),
            )
            for name, source in parts.inputs.items()
        },
        supply=Supply(
            voltage_v=top.supply.voltage_v,
            rating_a=top.supply.rating_a,
            fuse_a=top.supply.fuse_a,
            wire_awg=top.supply.wire_awg,
            wire_m=top.supply.wire_m,
        ),
        openings={
            name: Opening(
                name=name,
                gap_m=units.m_from_mm(opening.gap_mm),
                part=opening.part,
                line=reporter.line(("openings", name)),
            )
            for name, opening in parts.openings.items()
        },
        expanders={
            name: Expander(
                name=name,
                address=table.address,
                serves=table.serves,
                oscillator_mhz=table.oscillator_mhz,
                line=reporter.line(("expanders", name)),
            )
            for name, table in parts.expanders.items()
        },
        board=Board(
            kind=top.board.kind,
            clock_error=top.board.clock_error_percent / 100.0,
            release_after_s=top.board.release_after_s,
            clock_ppm=top.board.clock_ppm,
            i2c_khz=top.board.i2c_khz,
            memory_bytes=1024 * (top.board.memory_kb or 0),
        ),
        ambient_c=top.ambient_c,
        sensors={
            name: build_outputs.sensor(name, table, parts, reporter) for name, table in parts.sensors.items()
        },
        strings={name: build_outputs.string(name, table, reporter) for name, table in parts.strings.items()},
        sound_module=build_outputs.sound(top.sound_module, reporter),
        poses_rad={
            pose: {axis: math.radians(angle) for axis, angle in values.items()}
            for pose, values in parts.poses.items()
        },
        file=file,
    )


def _servo(name: str, table: ServoTable, reporter: Reporter) -> Servo:
    typical_a = TYPICAL_STALL_A[0 if table.stall_kgcm < MICRO_BELOW_KGCM else 1]
    stated = table.speed_derating is not None and table.torque_derating is not None
    return Servo(
        name=name,
        pin=table.pin,
        no_load_speed_rad_s=units.rad_s_from_s_per_60deg(table.speed_s_per_60deg),
        stall_torque_n_m=units.n_m_from_kgcm(table.stall_kgcm),
        at_v=table.at_v,
        pulse_us=(float(table.pulse_us[0]), float(table.pulse_us[1])),
        travel_rad=math.radians(table.travel_deg),
        stall_a=typical_a if table.stall_a is None else table.stall_a,
        frame_s=FRAME_S,
        centre_us=sum(table.pulse_us) / 2.0 if table.centre_us is None else float(table.centre_us),
        reversed=table.reversed,
        ends_us=None if table.ends_us is None else (float(table.ends_us[0]), float(table.ends_us[1])),
        speed_derating=TYPICAL_DERATING if table.speed_derating is None else table.speed_derating,
        torque_derating=TYPICAL_DERATING if table.torque_derating is None else table.torque_derating,
        line=reporter.line(("servos", name)),
        stall_a_basis="typical" if table.stall_a is None or "stall_a" in table.typical else "datasheet",
        derating_basis="measured" if stated else "typical",
        line_basis="typical" if table.typical & _LINE else "datasheet",
        class_name=table.servo_class,
        weight_kg=_weight_kg(table),
        low_line=None
        if table.low_line is None
        else LowVoltageLine(
            at_v=table.low_line.at_v,
            no_load_speed_rad_s=units.rad_s_from_s_per_60deg(table.low_line.speed_s_per_60deg),
            stall_torque_n_m=units.n_m_from_kgcm(table.low_line.stall_kgcm),
        ),
        continuous_share=TYPICAL_CONTINUOUS
        if table.continuous_percent is None
        else table.continuous_percent / 100.0,
        continuous_basis="typical" if table.continuous_percent is None else "datasheet",
    )


def _weight_kg(table: ServoTable) -> float | None:
    if table.weight_g is not None:
        return units.kg_from_g(table.weight_g)
    if table.servo_class is None:
        return None
    return units.kg_from_g(catalogue.CLASSES[table.servo_class].weight_g)


def with_friction(figure: Figure) -> Figure:
    """The figure with typical friction where nobody measured it: a share of what its servos can give.

    The linkages' geometry must have been checked.
    """
    axes = dict(figure.axes)
    for name, axis in figure.axes.items():
        if axis.friction_basis != "measured":
            least = min(
                figure.servos[servo].stall_torque_n_m * figure.servos[servo].torque_derating / gear.load
                for servo, gear in gearing(figure, name).items()
            )
            axes[name] = dataclasses.replace(axis, friction_n_m=TYPICAL_FRICTION * least)
    return dataclasses.replace(figure, axes=axes)


def _axis(name: str, table: AxisTable, parts: Parts, reporter: Reporter) -> Axis:
    pulls = None if table.pulls is None else readings.friction(table.pulls)
    film = None if table.wobble is None else readings.wobble(table.wobble)
    friction_basis: Basis = "typical" if table.friction_kgcm is None and pulls is None else "measured"
    if pulls is not None:
        friction = pulls.friction.value
    elif table.friction_kgcm is not None:
        friction = units.n_m_from_kgcm(table.friction_kgcm)
    else:
        friction = 0.0
    parked = table.home_deg if table.parked_deg is None else table.parked_deg
    return Axis(
        name=name,
        range_rad=(math.radians(table.range_deg[0]), math.radians(table.range_deg[1])),
        home_rad=math.radians(table.home_deg),
        parked_rad=math.radians(parked),
        words=(table.words[0], table.words[1]),
        drive=build_linkages.drive(table.drive, parts),
        viscous_n_m_s=0.0
        if table.drag_kgcm is None
        else units.n_m_from_kgcm(table.drag_kgcm) / math.radians(DRAG_AT_DEG_S),
        spring=build_linkages.spring(table.spring),
        direction=table.turns_about,
        pivot_m=_point(table.pivot_mm),
        carried_by=table.carried_by,
        friction_n_m=friction,
        friction_basis=friction_basis,
        ramp_s=film.period_s if table.ramp_s is None and film is not None else table.ramp_s,
        friction_spread_n_m=0.0 if pulls is None else pulls.friction.spread,
        pulled=None if pulls is None else Pulled(pulls.imbalance.value, pulls.imbalance.spread),
        wobble_hz=None if film is None else film.frequency_hz.value,
        wobble_spread_hz=0.0 if film is None else film.frequency_hz.spread,
        damping_ratio=None if film is None or film.damping is None else film.damping.value,
        knot_frames=None if table.knot_ms is None else table.knot_ms // 20,
        torque_aware=table.torque_aware,
        on_stop=table.on_stop,
        release_at_rest=table.release_at_rest,
        line=reporter.line(("axes", name)),
    )


def _point(point_mm: list[float]) -> tuple[float, float, float]:
    return units.m_from_mm(point_mm[0]), units.m_from_mm(point_mm[1]), units.m_from_mm(point_mm[2])


def _mass(name: str, table: MassTable, lump: Lump, reporter: Reporter) -> Mass:
    rows: Any = tuple(tuple(float(entry) for entry in row) for row in lump.tensor_kg_m2)
    x, y, z = (float(part) for part in lump.centre_m)
    shape: str = getattr(table, "shape")  # noqa: B009 - every shape's table has it
    return Mass(
        name=name,
        carried_by=table.carried_by,
        mass_kg=lump.mass_kg,
        centre_m=(x, y, z),
        inertia_kg_m2=rows,
        shape=shape,
        basis=lump.basis,
        line=reporter.line(("masses", name)),
        spread=lump.spread,
        mass_spread_kg=units.kg_from_g(table.spread.weight_g or 0.0),
        centre_spread_m=units.m_from_mm(table.spread.balance_mm or 0.0),
    )
