"""What ``figure.toml`` may say of masses: shapes, readings, meshes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from sequencer.figure.schema_values import Angle, Length, Name, Off, Point, Side, Size, Table

Weight = Annotated[float, Field(gt=0, le=100000)]


class SwingSpread(Table):
    """What the readings of a swing may be off, each under its own key; the tool's resolution when absent."""

    ten_swings_s: Off | None = None
    hung_from_mm: Off | None = None
    threads_apart_mm: Off | None = None
    thread_mm: Off | None = None
    swing_deg: Off | None = None


class MassSpread(Table):
    """What the scale and the balance point may be off."""

    weight_g: Off | None = None
    balance_mm: Off | None = None


class SwingTable(Table):
    """One of ``swings``: ten whole swings, hung from one line, or twisted on two threads."""

    about: Side
    ten_swings_s: float = Field(gt=0, le=600)
    hung_from_mm: Length | None = None
    threads_apart_mm: Length | None = None
    thread_mm: Length | None = None
    swing_deg: float = Field(default=0.0, ge=0, le=80)
    spread: SwingSpread = SwingSpread()


class BalanceTable(Table):
    """``balance_mm``: where the part balances, toward each side that was tried, from the figure's origin."""

    up: float | None = Field(default=None, ge=-5000, le=5000)
    down: float | None = Field(default=None, ge=-5000, le=5000)
    left: float | None = Field(default=None, ge=-5000, le=5000)
    right: float | None = Field(default=None, ge=-5000, le=5000)
    forward: float | None = Field(default=None, ge=-5000, le=5000)
    back: float | None = Field(default=None, ge=-5000, le=5000)


class MassTable(Table):
    """What every mass may say; readings go before what its shape would give."""

    carried_by: Name
    basis: Literal["measured", "datasheet", "typical", "guess"] = "guess"
    balance_mm: BalanceTable | None = None
    swings: list[SwingTable] = Field(default=[])
    spread: MassSpread = MassSpread()


class ShapeTable(MassTable):
    """A shape that a ruler can measure: its weight and the place of its middle."""

    weight_g: Weight
    at_mm: Point


class ReadingsTable(MassTable):
    """A part of no simple shape, known by readings; ``at_mm`` is where it balances."""

    shape: Literal["readings"]
    weight_g: Weight
    at_mm: Point | None = None
    size_mm: Size | None = None
    middle_mm: Point | None = None


class StlTable(MassTable):
    """A mesh; ``at_mm`` is where the file's own origin stands in the figure."""

    shape: Literal["stl"]
    file: str = Field(min_length=1, max_length=200)
    units: Literal["mm", "cm", "m", "inch"] = "mm"
    at_mm: Point = Field(default=[0.0, 0.0, 0.0])
    turned_deg: Annotated[list[Angle], Field(min_length=3, max_length=3)] = Field(default=[0.0, 0.0, 0.0])
    wall_mm: Length | None = None
    infill_percent: float | None = Field(default=None, ge=0, le=100)
    density_g_cm3: float | None = Field(default=None, ge=0.01, le=25)
    weight_g: Weight | None = None


class BoxTable(ShapeTable):
    """A solid box."""

    shape: Literal["box"]
    size_mm: Size


class SphereTable(ShapeTable):
    """A solid ball."""

    shape: Literal["sphere"]
    diameter_mm: Length


class HollowSphereTable(ShapeTable):
    """A ball with a hole in it."""

    shape: Literal["hollow_sphere"]
    outer_diameter_mm: Length
    inner_diameter_mm: float = Field(ge=0, le=5000)


class EllipsoidTable(ShapeTable):
    """A solid ellipsoid; ``size_mm`` are its three whole lengths."""

    shape: Literal["ellipsoid"]
    size_mm: Size


class CylinderTable(ShapeTable):
    """A solid cylinder or rod."""

    shape: Literal["cylinder"]
    diameter_mm: Length
    length_mm: Length
    along: Side = "up"


#: Shape -> the table that describes it.
SHAPES: dict[str, type[MassTable]] = {
    "box": BoxTable,
    "sphere": SphereTable,
    "hollow_sphere": HollowSphereTable,
    "ellipsoid": EllipsoidTable,
    "cylinder": CylinderTable,
    "readings": ReadingsTable,
    "stl": StlTable,
}
