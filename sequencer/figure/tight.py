"""A joint that was tightened too far: the friction that eats the margin, and how to feel for it."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.figure.drives import track_of
from sequencer.figure.gearing import gearing
from sequencer.figure.limits import track_limits
from sequencer.figure.linkage import linkage_of
from sequencer.figure.model import AxisPhysics, DirectDrive, Figure
from sequencer.figure.physics import physics, spare_at_stall_n_m
from sequencer.figure.torque import SAMPLED, torque_rows
from sequencer.units import GRAVITY_M_S2

#: Where the luggage scale pulls, metres from the axis's line: 100 g there are 1 kg cm.
ARM_M = 0.1


@dataclass(frozen=True)
class TightJoint:
    """Friction at one axis, N m: as counted on, where fast moves fall short, where nothing is left, stuck.

    At ``short_n_m`` the servos have no torque to spare for the limits that the axis was given; that is
    already the counted friction when torque is what limits the acceleration. At ``spent_n_m`` gravity
    and friction take all the torque that there is at full speed (half of the stall torque), at
    ``stuck_n_m`` all that there is at stall: it does not even set off.
    """

    axis: str
    counted_n_m: float
    short_n_m: float
    spent_n_m: float
    stuck_n_m: float
    arm_m: float = ARM_M

    def grams(self, friction_n_m: float) -> float:
        """What a luggage scale reads at ``arm_m``: half the sum of slow pulls both ways."""
        return 1000.0 * friction_n_m / (self.arm_m * GRAVITY_M_S2)

    def words(self) -> str:
        """How to feel for it, in one sentence or two."""
        counted, short, spent, stuck = (
            self.grams(value) for value in (self.counted_n_m, self.short_n_m, self.spent_n_m, self.stuck_n_m)
        )
        room = short - counted
        falls = (
            f"from {_round(short)} g on fast moves fall short"
            if room >= 0.05 * counted + 1.0
            else "any more and fast moves fall short"
        )
        return (
            f"{self.axis}: power off, horn or rod unhooked, a luggage scale {1000 * self.arm_m:.0f} mm from "
            f"the axis: pull slowly both ways. Half the sum of the readings is friction; {_round(counted)} g "
            f"are counted on, {falls}, at {_round(spent)} g nothing is left at full speed, at "
            f"{_round(stuck)} g it sticks: loosen the joint well before."
        )


def _round(grams: float) -> str:
    return f"{grams:.0f}" if grams < 100.0 else f"{round(grams, -1):.0f}"


def tight_joint(
    figure: Figure, axis_name: str, facts: AxisPhysics | None = None, arm_m: float = ARM_M
) -> TightJoint:
    """The frictions of one axis that matter; ``facts`` spares computing its physics.

    Raises KeyError for an axis the figure does not have, FindingsError when it cannot be held anyway.
    """
    known = facts or physics(figure, axis_name)
    linkage = linkage_of(figure, axis_name)
    first = track_of(figure, linkage.servos[0])
    rows = torque_rows(figure, first)
    limits = {row.track: track_limits(figure, row.track) for row in rows}
    tops = {track: limit.velocity_rad_s for track, limit in limits.items()}
    gears, direct = gearing(figure, axis_name), isinstance(figure.axes[axis_name].drive, DirectDrive)
    spares = []
    for row in rows:
        used = sum(
            inertia * limits[track].acceleration_rad_s2 for track, inertia in row.inertia_kg_m2.items()
        )
        spare = max(0.0, row.left_n_m(tops) - used)
        # A direct drive's row counts at the axis already, a linkage's at the servo.
        spares.append(spare if direct else spare / (SAMPLED * gears[row.servo].load))
    friction = known.friction_torque_n_m
    short = friction + min(spares)
    return TightJoint(
        axis=axis_name,
        counted_n_m=friction,
        short_n_m=short,
        spent_n_m=max(short, friction + known.available_torque_n_m),
        stuck_n_m=friction + spare_at_stall_n_m(figure, axis_name),
        arm_m=arm_m,
    )
