"""One table of masses to mass, centre and inertia: its shape or mesh first, then what readings say better."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sequencer import units
from sequencer.figure import impossible, masses, meshes
from sequencer.figure.explain import Reporter
from sequencer.figure.model import Basis
from sequencer.figure.readings import RULER_M, Reading, mean, swing_inertia
from sequencer.figure.schema_masses import (
    BoxTable,
    CylinderTable,
    EllipsoidTable,
    HollowSphereTable,
    MassTable,
    ReadingsTable,
    ShapeTable,
    SphereTable,
    StlTable,
)
from sequencer.figure.schema_values import SIDES
from sequencer.figure.toml_lines import Path as KeyPath

Array = NDArray[np.float64]

#: How far the inertia of a part may be from that of the shape it was taken for (rule of thumb).
SHAPE_SPREAD: Mapping[Basis, float] = {"measured": 0.1, "datasheet": 0.1, "typical": 0.2, "guess": 0.4}
#: The same for a box around readings, and when not even a size is told.
BOX_SPREAD, NOTHING_SPREAD = 0.5, 0.8
#: A mesh whose weight was not taken: density and print settings are typical.
MESH_SPREAD = 0.3
#: Typical density of a figure's hollow parts, kg/m3, when only their weight is known.
TYPICAL_DENSITY = 400.0


@dataclass(frozen=True)
class Lump:
    """A mass as its table tells: kg, centre (3,) m at home, tensor (3, 3) about it, and what it is known by.

    ``spread`` is what the inertia may be off, as a share; ``low_m``/``high_m`` the box around the part.
    """

    mass_kg: float
    centre_m: Array
    tensor_kg_m2: Array
    spread: float
    basis: Basis
    low_m: Array | None = None
    high_m: Array | None = None
    sizes_m: Array | None = None


def lump(name: str, table: MassTable, reporter: Reporter, folder: Path) -> Lump | None:
    """The mass of one table, readings before shape; None when it has faults, which the reporter then has.

    ``folder`` is where mesh files are looked for.
    """
    path: KeyPath = ("masses", name)
    before = len(reporter.faults)
    impossible.spread_fits(path, table, reporter)
    start = _shape(path, table, reporter, folder)
    if start is None:
        return None
    if table.spread.weight_g is not None:
        # A shape's inertia is in proportion to its weight.
        share = units.kg_from_g(table.spread.weight_g) / start.mass_kg
        start = replace(start, spread=math.hypot(start.spread, share))
    start = _balanced(path, table, start, reporter)
    _check_inside(path, table, start, reporter)
    known = _swung(path, table, start, reporter)
    if len(reporter.faults) > before:
        return None
    return _with_swings(path, table, start, known, reporter)


def mass_lumps(tables: Mapping[str, MassTable], reporter: Reporter) -> dict[str, Lump]:
    """The masses of a file by name; those with faults are left out, and mesh files lie beside the file."""
    folder = Path(reporter.file).parent
    found = ((name, lump(name, table, reporter, folder)) for name, table in tables.items())
    return {name: item for name, item in found if item is not None}


def _point(point_mm: list[float]) -> Array:
    return np.array(point_mm, dtype=np.float64) / 1000.0


def _shape(path: KeyPath, table: MassTable, reporter: Reporter, folder: Path) -> Lump | None:
    if isinstance(table, StlTable):
        return _mesh(path, table, reporter, folder)
    if isinstance(table, ReadingsTable):
        return _plain(path, table, reporter)
    assert isinstance(table, ShapeTable)
    mass = units.kg_from_g(table.weight_g)
    tensor, half = _tensor(table, mass)
    middle = _point(table.at_mm)
    spread = SHAPE_SPREAD[table.basis]
    return Lump(mass, middle, tensor, spread, table.basis, middle - half, middle + half, 2.0 * half)


def _tensor(table: ShapeTable, mass_kg: float) -> tuple[Array, Array]:
    """The shape's tensor and its half sizes along x, y, z."""
    if isinstance(table, BoxTable):
        x, y, z = (units.m_from_mm(size) for size in table.size_mm)
        return masses.box(mass_kg, (x, y, z)), np.array([x, y, z]) / 2.0
    if isinstance(table, SphereTable):
        radius = units.m_from_mm(table.diameter_mm) / 2.0
        return masses.sphere(mass_kg, radius), np.full(3, radius)
    if isinstance(table, HollowSphereTable):
        outer = units.m_from_mm(table.outer_diameter_mm) / 2.0
        inner = units.m_from_mm(table.inner_diameter_mm) / 2.0
        return masses.hollow_sphere(mass_kg, outer, inner), np.full(3, outer)
    if isinstance(table, EllipsoidTable):
        a, b, c = (units.m_from_mm(size) / 2.0 for size in table.size_mm)
        return masses.ellipsoid(mass_kg, (a, b, c)), np.array([a, b, c])
    assert isinstance(table, CylinderTable)
    along = {"forward": 0, "back": 0, "left": 1, "right": 1, "up": 2, "down": 2}[table.along]
    radius, whole = units.m_from_mm(table.diameter_mm) / 2.0, units.m_from_mm(table.length_mm)
    half = np.full(3, radius)
    half[along] = whole / 2.0
    return masses.cylinder(mass_kg, radius, whole, along), half


def _plain(path: KeyPath, table: ReadingsTable, reporter: Reporter) -> Lump | None:
    """A part of no shape: a box of its size, or a ball of typical density, until a swing tells more."""
    if table.at_mm is None and table.balance_mm is None:
        reporter.add(
            (*path, "balance_mm"),
            "is missing: nobody told where the part balances",
            remedy="lay it on an edge until it just tips and write balance_mm = { forward = ..., up = ... }, "
            "from the figure's origin, or at_mm = [x, y, z]",
        )
        return None
    mass = units.kg_from_g(table.weight_g)
    centre = np.zeros(3) if table.at_mm is None else _point(table.at_mm)
    basis: Basis = table.basis if "basis" in table.model_fields_set else "measured"
    if table.size_mm is None:
        radius = (3.0 * mass / (4.0 * math.pi * TYPICAL_DENSITY)) ** (1.0 / 3.0)
        # Between a ball's 2/5 and a shell's 2/3.
        tensor = masses.sphere(mass, radius) * (4.0 / 3.0)
        return Lump(mass, centre, tensor, NOTHING_SPREAD, basis if table.swings else "guess")
    x, y, z = (units.m_from_mm(size) for size in table.size_mm)
    sizes = np.array([x, y, z])
    low = high = None
    if table.middle_mm is not None:
        middle = _point(table.middle_mm)
        low, high = middle - sizes / 2.0, middle + sizes / 2.0
    basis = basis if table.swings else "typical"
    return Lump(mass, centre, masses.box(mass, (x, y, z)), BOX_SPREAD, basis, low, high, sizes)


def _mesh(path: KeyPath, table: StlTable, reporter: Reporter, folder: Path) -> Lump | None:
    density = meshes.TYPICAL_DENSITY_G_CM3 if table.density_g_cm3 is None else table.density_g_cm3
    if table.infill_percent is not None and table.wall_mm is None:
        reporter.add(
            (*path, "wall_mm"),
            "is missing: infill is what stands inside a wall",
            remedy="add wall_mm, the wall's thickness (slicer: walls times line width, often 0.8 to 1.6)",
        )
        return None
    try:
        body = meshes.mesh_mass(
            folder / table.file, table.units, density, table.wall_mm, table.infill_percent
        )
    except meshes.MeshTroubleError as trouble:
        reporter.add((*path, "file"), trouble.message, trouble.remedy, trouble.value, trouble.limit)
        return None
    turned = (table.turned_deg[0], table.turned_deg[1], table.turned_deg[2])
    turn = meshes.rotation(turned)
    origin = _point(table.at_mm)
    corners = (
        np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=np.float64)
        * (body.high_m - body.low_m)
        + body.low_m
    )
    placed = corners @ turn.T + origin
    low, high = placed.min(axis=0), placed.max(axis=0)
    weighed = table.weight_g is not None
    mass = body.mass_kg if table.weight_g is None else units.kg_from_g(table.weight_g)
    told: Basis = table.basis if "basis" in table.model_fields_set else "measured" if weighed else "typical"
    spread = SHAPE_SPREAD["measured"] if weighed else MESH_SPREAD
    tensor = turn @ body.tensor_kg_m2 @ turn.T * (mass / body.mass_kg)
    return Lump(mass, turn @ body.centre_m + origin, tensor, spread, told, low, high, high - low)


def _balanced(path: KeyPath, table: MassTable, start: Lump, reporter: Reporter) -> Lump:
    """Where it balances goes before the middle of its shape."""
    if table.balance_mm is None:
        return start
    centre = start.centre_m.copy()
    told: dict[int, str] = {}
    for side, direction in SIDES.items():
        reading: float | None = getattr(table.balance_mm, side)
        if reading is None:
            continue
        index = int(np.argmax(np.abs(direction)))
        if index in told:
            reporter.add(
                (*path, "balance_mm", side),
                f"`{told[index]}` and `{side}` are the same line",
                remedy=f"keep one of them: {side} = {reading:g} is {told[index]} = {-reading:g}",
            )
        told[index] = side
        centre[index] = direction[index] * units.m_from_mm(reading)
    return replace(start, centre_m=centre)


def _check_inside(path: KeyPath, table: MassTable, start: Lump, reporter: Reporter) -> None:
    """A part balances inside the box around it."""
    if start.low_m is None or start.high_m is None:
        return
    room = RULER_M if table.spread.balance_mm is None else units.m_from_mm(table.spread.balance_mm)
    for index, axis in enumerate("xyz"):
        low, high, at = float(start.low_m[index]), float(start.high_m[index]), float(start.centre_m[index])
        if low - room <= at <= high + room:
            continue
        balanced = table.balance_mm is not None
        nearest = min(max(at, low), high)
        reporter.add(
            (*path, "balance_mm" if balanced else "at_mm"),
            f"the part would balance outside itself, along {axis} ({impossible.LINES[index]})",
            value=f"{1000 * at:g} mm",
            limit=f"{1000 * low:g} to {1000 * high:g} mm, the part's extent",
            remedy="measure from the figure's origin, not from the part's edge; the nearest possible is "
            f"{1000 * nearest:g} mm, or correct the part's size and place",
        )


def _largest(start: Lump, index: int) -> float | None:
    """The most inertia about line ``index`` that mass inside the box can have; None when nothing bounds it.

    Mass on a stretch from a to b with its centre at c spreads by at most (b - c)(c - a) (Bhatia, Davis).
    """
    if start.sizes_m is None:
        return None
    total = 0.0
    for other in range(3):
        if other == index:
            continue
        if start.low_m is None or start.high_m is None:
            total += float(start.sizes_m[other]) ** 2 / 4.0
        else:
            at = float(start.centre_m[other])
            total += max(0.0, (float(start.high_m[other]) - at) * (at - float(start.low_m[other])))
    return start.mass_kg * total


def _swung(path: KeyPath, table: MassTable, start: Lump, reporter: Reporter) -> dict[int, Reading]:
    """Line (0 x, 1 y, 2 z) -> inertia about it through the centre, from every swing that can be true."""
    found: dict[int, list[Reading]] = {}
    for number, swing in enumerate(table.swings):
        where: KeyPath = (*path, "swings", number)
        impossible.spread_fits(where, swing, reporter)
        if not impossible.one_kind(where, swing, reporter):
            continue
        index = int(np.argmax(np.abs(SIDES[swing.about])))
        reading = swing_inertia(1000.0 * start.mass_kg, swing, table.spread.weight_g)
        if swing.hung_from_mm is not None and reading.value < -2.0 * reading.spread:
            impossible.too_quick(where, swing, reporter)
            continue
        largest = _largest(start, index)
        if largest is not None and reading.value - 2.0 * reading.spread > largest:
            impossible.too_slow(where, swing, start.mass_kg, largest, reporter)
            continue
        if reading.value < reading.spread:
            # Hung too far away to tell: all that is known is how small it is.
            reading = Reading(reading.spread, reading.spread)
        found.setdefault(index, []).append(reading)
    return {index: mean(readings) for index, readings in found.items()}


def _with_swings(
    path: KeyPath, table: MassTable, start: Lump, known: Mapping[int, Reading], reporter: Reporter
) -> Lump | None:
    """Lines that swung take their reading; the others are the shape's, in the same proportion."""
    if not known:
        return start
    shape = np.diag(start.tensor_kg_m2)
    ratios = {index: reading.value / float(shape[index]) for index, reading in known.items()}
    usual = math.exp(sum(math.log(ratio) for ratio in ratios.values()) / len(ratios))
    scale = np.array([math.sqrt(ratios.get(index, usual)) for index in range(3)])
    tensor = start.tensor_kg_m2 * np.outer(scale, scale)
    measured = max(reading.relative for reading in known.values())
    spread = measured if len(known) == 3 else math.hypot(measured, start.spread / 2.0)
    moments = np.linalg.eigvalsh(tensor)
    excess = float(moments[2] - moments[0] - moments[1])
    if excess > 0.0:
        if len(known) == 3 and excess > 2.0 * math.hypot(*(reading.spread for reading in known.values())):
            impossible.no_body(path, known, reporter)
            return None
        # No body has one moment above the sum of the others: the least change that makes it one.
        tensor = tensor + np.eye(3) * excess
    basis = table.basis if "basis" in table.model_fields_set else "measured"
    return replace(start, tensor_kg_m2=tensor, spread=spread, basis=basis)
