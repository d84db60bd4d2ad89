"""What ``figure.toml`` may say of drives, linkages, springs, counterweights and clearances."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from sequencer.figure.schema_values import Angle, Length, Name, Point, Table


class DriveTable(Table):
    """``drive``: the servo's angle is ``ratio`` times the axis's, or a linkage stands between."""

    servo: Name | None = None
    ratio: float = Field(default=1.0, ge=0.05, le=20)
    linkage: Name | None = None


class SpringTable(Table):
    """``spring``: torque at an angle, toward positive angles, and what a degree takes off it."""

    torque_kgcm: float = Field(ge=-1000, le=1000)
    at_deg: Angle = 0.0
    rate_kgcm_per_deg: float = Field(default=0.0, ge=0, le=100)


class CounterweightTable(Table):
    """``counterweight``: a compact lump of steel that the axis carries."""

    weight_g: float = Field(gt=0, le=100000)
    at_mm: Point


class LinkageTable(Table):
    """``[linkages.NAME]``: what every kind says."""


class FourBarTable(LinkageTable):
    """A crank on the servo, a coupler, a rocker on the axis."""

    kind: Literal["fourbar"]
    servo: Name
    crank_mm: Length
    coupler_mm: Length
    rocker_mm: Length
    ground_mm: Length
    crank_deg: Angle = 90.0
    crossed: bool = False
    inverted: bool = False


class CrankTable(Table):
    """``left`` or ``right`` of a pair: a crank in an upright plane, and the rod to the head."""

    servo: Name
    axle_mm: Point
    plane_deg: Angle
    crank_mm: Length
    crank_deg: Angle = 0.0
    rod_mm: Length
    joint_mm: Point


class PairTable(LinkageTable):
    """Two cranks with rods and ball joints that move two axes together."""

    kind: Literal["pair"]
    axes: Annotated[list[Name], Field(min_length=2, max_length=2)]
    left: CrankTable
    right: CrankTable


#: Kind -> the table that describes it.
LINKAGES: dict[str, type[LinkageTable]] = {"fourbar": FourBarTable, "pair": PairTable}


class ClearanceTable(Table):
    """``[clearances.NAME]``: while ``when`` is beyond an angle, ``axis`` keeps to its own."""

    axis: Name
    at_most_deg: Angle | None = None
    at_least_deg: Angle | None = None
    when: Name
    above_deg: Angle | None = None
    below_deg: Angle | None = None
