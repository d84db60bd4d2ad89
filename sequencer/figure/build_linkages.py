"""Linkages, springs, counterweights and clearances of a figure file, turned into SI and frozen values."""

from __future__ import annotations

import math

from sequencer import units
from sequencer.figure.explain import Reporter
from sequencer.figure.model import (
    Clearance,
    Crank,
    DirectDrive,
    Drive,
    FourBarDrive,
    Mass,
    Pair,
    PairDrive,
    Spring,
)
from sequencer.figure.parts import Parts
from sequencer.figure.schema_linkages import CrankTable, DriveTable, FourBarTable, PairTable, SpringTable

#: Density of the steel that counterweights are made of, kg/m^3.
STEEL_KG_M3 = 7850.0


def _point(point_mm: list[float]) -> tuple[float, float, float]:
    return units.m_from_mm(point_mm[0]), units.m_from_mm(point_mm[1]), units.m_from_mm(point_mm[2])


def drive(table: DriveTable, parts: Parts) -> Drive:
    """The drive of an axis; ``parts`` must have passed every check."""
    if table.linkage is None:
        assert table.servo is not None  # checked
        return DirectDrive(servo=table.servo, ratio=float(table.ratio))
    linkage = parts.linkages[table.linkage]
    if isinstance(linkage, FourBarTable):
        return FourBarDrive(
            servo=linkage.servo,
            crank_m=units.m_from_mm(linkage.crank_mm),
            coupler_m=units.m_from_mm(linkage.coupler_mm),
            rocker_m=units.m_from_mm(linkage.rocker_mm),
            ground_m=units.m_from_mm(linkage.ground_mm),
            crank_at_centre_rad=math.radians(linkage.crank_deg),
            crossed=linkage.crossed,
            inverted=linkage.inverted,
            name=table.linkage,
        )
    return PairDrive(table.linkage)


def pairs(parts: Parts, reporter: Reporter) -> dict[str, Pair]:
    """Every pair; its cranks are (left, right)."""
    return {
        name: Pair(
            name=name,
            axes=(table.axes[0], table.axes[1]),
            cranks=(_crank(table.left), _crank(table.right)),
            line=reporter.line(("linkages", name)),
        )
        for name, table in parts.linkages.items()
        if isinstance(table, PairTable)
    }


def _crank(table: CrankTable) -> Crank:
    return Crank(
        servo=table.servo,
        pivot_m=_point(table.axle_mm),
        plane_rad=math.radians(table.plane_deg),
        crank_m=units.m_from_mm(table.crank_mm),
        rod_m=units.m_from_mm(table.rod_mm),
        joint_m=_point(table.joint_mm),
        at_centre_rad=math.radians(table.crank_deg),
    )


def spring(table: SpringTable | None) -> Spring | None:
    """The spring of an axis, if it has one."""
    if table is None:
        return None
    return Spring(
        torque_n_m=units.n_m_from_kgcm(table.torque_kgcm),
        at_rad=math.radians(table.at_deg),
        rate_n_m_rad=units.n_m_from_kgcm(table.rate_kgcm_per_deg) / math.radians(1.0),
    )


def counterweights(parts: Parts, reporter: Reporter) -> dict[str, Mass]:
    """Counterweights as masses ``AXIS_counterweight``: balls of steel, which come near any compact lump."""
    found = {}
    for axis, table in parts.axes.items():
        if table.counterweight is None:
            continue
        mass_kg = units.kg_from_g(table.counterweight.weight_g)
        inertia = 0.4 * mass_kg * (0.75 * mass_kg / (math.pi * STEEL_KG_M3)) ** (2.0 / 3.0)
        name = f"{axis}_counterweight"
        found[name] = Mass(
            name=name,
            carried_by=axis,
            mass_kg=mass_kg,
            centre_m=_point(table.counterweight.at_mm),
            inertia_kg_m2=((inertia, 0.0, 0.0), (0.0, inertia, 0.0), (0.0, 0.0, inertia)),
            shape="steel ball",
            basis="measured",
            line=reporter.line(("axes", axis, "counterweight")),
        )
    return found


def clearances(parts: Parts, reporter: Reporter) -> dict[str, Clearance]:
    """Every clearance; the checks have seen to it that each says one bound and one condition."""
    found = {}
    for name, table in parts.clearances.items():
        keep = table.at_most_deg if table.at_most_deg is not None else table.at_least_deg
        when = table.above_deg if table.above_deg is not None else table.below_deg
        assert keep is not None
        assert when is not None
        found[name] = Clearance(
            name=name,
            channel=table.axis,
            keep_side=-1 if table.at_most_deg is not None else 1,
            keep_rad=math.radians(keep),
            when=table.when,
            when_side=1 if table.above_deg is not None else -1,
            when_rad=math.radians(when),
            line=reporter.line(("clearances", name)),
        )
    return found
