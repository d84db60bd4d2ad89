"""A servo's torque-speed line as it is built in, and what a linkage makes of inertia and load.

One row a track says everything that a planner needs: with a the accelerations of the tracks that move
together, v the track's own velocity, T the stall torque and v0 the no-load speed (both derated, at the
supply's real voltage),

    |J a + (b + T/v0) v + g| <= T    and    |J a + b v + g| <= T.

The first is the torque-speed line when the motor drives, the second its stall torque when it brakes.
A planner with constant limits uses the same row at half of v0, where half of T is left.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.chain import Chain, below, carried
from sequencer.figure.drives import track_of
from sequencer.figure.dynamics import Dynamics, inverse
from sequencer.figure.linkage import Linkage, linkage_of, linkages
from sequencer.figure.model import DirectDrive, Figure, PairDrive, Servo
from sequencer.figure.polygon import pulses_us, reach_of
from sequencer.figure.servo_line import SHARE_AT_SPEED, SHARE_OF_SPEED, line_at

Array = NDArray[np.float64]
#: A linkage's poses are sampled at this many angles an axis; other joints at their ends and middle.
_GRID = 17
_ONE_BY_ONE = 3
#: Between samples (4 degrees at most) a worst value can be this much worse (half of 2 degrees squared).
SAMPLED = 1.002


class Poses(NamedTuple):
    """Sampled poses of a linkage: ``own`` (n, k) in the order of its axes, ``all`` by axis (n,)."""

    own: Array
    all: Mapping[str, Array]


def own_poses(figure: Figure, linkage: Linkage, grid: int = _GRID) -> Array:
    """(n, k) angles over the ranges of a linkage's axes; of a pair only what its tracks may be given."""
    ranges = [figure.axes[name].range_rad for name in linkage.axes]
    levels = [np.linspace(low, high, grid) for low, high in ranges]
    poses = np.stack([plane.ravel() for plane in np.meshgrid(*levels, indexing="ij")], axis=1)
    drive = figure.axes[linkage.axes[0]].drive
    if isinstance(drive, PairDrive):
        reach = reach_of(figure, drive.pair)
        servos = [figure.servos[name] for name in linkage.servos]
        pulses = pulses_us((servos[0], servos[1]), linkage.servo_rad(poses))
        depths = [half.limit - half.a * pulses[:, 0] - half.b * pulses[:, 1] for half in reach.half_planes]
        with np.errstate(invalid="ignore"):
            inside = np.min(depths, axis=0) >= 0.0
        poses = np.concatenate([poses[inside], reach.border_rad[:: max(1, len(reach.border_rad) // 80)]])
    sound: Array = poses[np.isfinite(linkage.jacobian(poses)).all(axis=(1, 2))]
    return sound


def poses_of(figure: Figure, linkage: Linkage) -> Poses:
    """Poses of a linkage with all the other joints that change what it carries."""
    own = own_poses(figure, linkage)
    others = [name for name in figure.axes if name not in linkage.axes and _matters(figure, linkage, name)]
    free = others[:_ONE_BY_ONE]
    shares = list(itertools.product((0.0, 0.5, 1.0), repeat=len(free) + (len(others) > len(free))))
    poses = {name: np.tile(own[:, index], len(shares)) for index, name in enumerate(linkage.axes)}
    for index, name in enumerate(others):
        low, high = figure.axes[name].range_rad
        at = [low + (high - low) * share[min(index, len(free))] for share in shares]
        poses[name] = np.repeat(at, len(own))
    return Poses(np.tile(own, (len(shares), 1)), poses)


def _matters(figure: Figure, linkage: Linkage, name: str) -> bool:
    """Whether another axis changes what the linkage holds: a rider, or a carrier that is not upright."""
    if any(name in carried(figure, axis) for axis in linkage.axes):
        return True
    if not any(name in below(figure, axis) for axis in linkage.axes):
        return False
    return any(abs(figure.axes[lower].direction[2]) < 1.0 - 1e-12 for lower in below(figure, name))


@dataclass(frozen=True)
class Survey:
    """A linkage seen from its servos, at n poses and for k servos.

    ``power`` (n, k, k) is the inverse of J: axis speed per servo speed; a servo's load is the sum over
    axes of power[axis, servo] * axis torque. ``inertia_kg_m2`` (n, k, k), ``holding_n_m``,
    ``friction_n_m`` (n, k); ``viscous_n_m_s`` (n, k, k).
    """

    linkage: Linkage
    poses: Poses
    jacobian: Array
    power: Array
    inertia_kg_m2: Array
    holding_n_m: Array
    friction_n_m: Array
    viscous_n_m_s: Array


class _Build:
    """A figure that can be looked up: equal when everything that moves or holds is equal."""

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        kinds = (figure.servos, figure.axes, figure.masses, figure.pairs)
        self._parts = (figure.supply, *(tuple(kind.values()) for kind in kinds))

    def __hash__(self) -> int:
        return hash(self._parts)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Build) and other._parts == self._parts


def survey(figure: Figure, axis_name: str) -> Survey:
    """Inertia, load and friction of the axes of one axis's linkage, as its servos feel them.

    Done once for the same build. Raises KeyError for an axis the figure does not have.
    """
    return _survey(_Build(figure), linkage_of(figure, axis_name).axes[0])


@lru_cache(maxsize=16)
def _survey(build: _Build, axis_name: str) -> Survey:
    figure, linkage = build.figure, linkage_of(build.figure, axis_name)
    dynamics = Dynamics(figure)
    poses = poses_of(figure, linkage)
    jacobian = linkage.jacobian(poses.own)
    power = inverse(jacobian)
    back = power.transpose(0, 2, 1)
    places = [dynamics.axes.index(name) for name in linkage.axes]
    inertia = dynamics.inertia_matrix(poses.all)[:, places][:, :, places]
    holding = dynamics.holding(poses.all)
    held = np.stack([holding[name] for name in linkage.axes], axis=1)
    axes = [figure.axes[name] for name in linkage.axes]
    return Survey(
        linkage=linkage,
        poses=poses,
        jacobian=jacobian,
        power=power,
        inertia_kg_m2=back @ inertia @ power,
        holding_n_m=np.einsum("nij,nj->ni", back, held),
        friction_n_m=np.abs(back) @ np.array([axis.friction_n_m for axis in axes]),
        viscous_n_m_s=back @ np.diag([axis.viscous_n_m_s for axis in axes]) @ power,
    )


@dataclass(frozen=True)
class TorqueRow:
    """What one track's servo can give and what it is asked for, the worst over the range; track radians.

    ``inertia_kg_m2`` and ``viscous_n_m_s`` by track: what accelerations and velocities of the tracks of
    the linkage ask of this servo, as bounds of the size. ``gravity_n_m`` is the least and greatest torque
    that holds still, springs counted; ``friction_n_m`` Coulomb friction. ``swing_n_m`` is what speed
    itself takes (centrifugal force, the linkage's changing ratio) with every track of the linkage at half
    of its no-load speed. A direct axis leaves that to the check of the played scene, and every row leaves
    it what the motion of other linkages asks (a turn flings the nod outward and swings it round), because
    both depend on what the others do.
    """

    track: str
    servo: str
    stall_n_m: float
    no_load_rad_s: float
    inertia_kg_m2: Mapping[str, float]
    viscous_n_m_s: Mapping[str, float]
    gravity_n_m: tuple[float, float]
    friction_n_m: float
    swing_n_m: float

    @property
    def worst_gravity_n_m(self) -> float:
        """The largest torque that holding takes, either way."""
        return max(abs(end) for end in self.gravity_n_m)

    @property
    def reflected_kg_m2(self) -> float:
        """Torque per acceleration when all tracks of the linkage accelerate as badly as they may."""
        return sum(self.inertia_kg_m2.values())

    def left_n_m(self, top_speed_rad_s: Mapping[str, float]) -> float:
        """Torque left for accelerating at the top speeds of constant limits; may be negative."""
        drag = sum(rate * top_speed_rad_s[track] for track, rate in self.viscous_n_m_s.items())
        loads = self.worst_gravity_n_m + self.friction_n_m + self.swing_n_m + drag
        return SHARE_AT_SPEED * self.stall_n_m - loads


def torque_rows(figure: Figure, track: str) -> tuple[TorqueRow, ...]:
    """The rows of all tracks that move together with ``track`` (itself among them), in linkage order.

    Found once for the same build. Raises KeyError for a track the figure does not have.
    """
    return _rows(_Build(figure), track)


@lru_cache(maxsize=64)
def _rows(build: _Build, track: str) -> tuple[TorqueRow, ...]:
    figure = build.figure
    for linkage in linkages(figure):
        tracks = [track_of(figure, servo) for servo in linkage.servos]
        if track in tracks:
            if len(linkage.axes) == 1 and isinstance(figure.axes[linkage.axes[0]].drive, DirectDrive):
                return (_direct_row(figure, linkage.axes[0]),)
            return rows_of(figure, survey(figure, linkage.axes[0]))
    raise KeyError(track)


def holding_share(figure: Figure, axis_name: str) -> float:
    """Share of stall that its busiest servo needs to hold an axis (and its pair's other) at the worst pose.

    Gravity and springs, no friction. Raises KeyError for an axis the figure does not have.
    """
    track = track_of(figure, linkage_of(figure, axis_name).servos[0])
    return max(row.worst_gravity_n_m / row.stall_n_m for row in torque_rows(figure, track))


def rows_of(figure: Figure, seen: Survey) -> tuple[TorqueRow, ...]:
    """The rows of a linkage that was surveyed."""
    tracks = [track_of(figure, servo) for servo in seen.linkage.servos]
    swing = _swing(figure, seen)
    rows = []
    for index, name in enumerate(seen.linkage.servos):
        line = line_at(figure, figure.servos[name])
        rows.append(
            TorqueRow(
                track=tracks[index],
                servo=name,
                stall_n_m=line.stall_n_m,
                no_load_rad_s=line.no_load_rad_s,
                inertia_kg_m2=_worst_by(tracks, seen.inertia_kg_m2[:, index]),
                viscous_n_m_s=_worst_by(tracks, seen.viscous_n_m_s[:, index]),
                gravity_n_m=_widened(seen.holding_n_m[:, index]),
                friction_n_m=SAMPLED * float(seen.friction_n_m[:, index].max()),
                swing_n_m=SAMPLED * float(swing[:, index].max()),
            )
        )
    return tuple(rows)


def _worst_by(tracks: list[str], entries: Array) -> dict[str, float]:
    worst = SAMPLED * np.abs(entries).max(axis=0)
    return {track: float(value) for track, value in zip(tracks, worst, strict=True)}


def _widened(values: Array) -> tuple[float, float]:
    """Least and greatest, each a little further out than the samples reached."""
    least, greatest = float(values.min()), float(values.max())
    margin = (SAMPLED - 1.0) * max(abs(least), abs(greatest))
    return least - margin, greatest + margin


def _swing(figure: Figure, seen: Survey) -> Array:
    """Torque that speed itself takes, (n, k): the most with every servo anywhere up to its top speed.

    It is a quadratic form of the servo speeds, found from its values; for a pair the largest size lies in
    a corner of the square of speeds or at the bend of the form along a side.
    """
    servos = [figure.servos[name] for name in seen.linkage.servos]
    tops = np.array([SHARE_OF_SPEED * line_at(figure, servo).no_load_rad_s for servo in servos])
    if len(servos) == 1:
        return np.abs(_of_speeds(figure, seen, tops))
    one, two = (_of_speeds(figure, seen, tops * unit) for unit in np.eye(2))
    mixed = _of_speeds(figure, seen, tops) - one - two
    sizes = [np.abs(one + two + mixed), np.abs(one + two - mixed)]
    for along, fixed in ((one, two), (two, one)):
        # fixed + mixed y + along y^2 with y between -1 and 1
        bend = np.clip(-mixed / np.where(along == 0.0, np.inf, 2.0 * along), -1.0, 1.0)
        sizes.append(np.abs(fixed + mixed * bend + along * bend**2))
    worst: Array = np.max(sizes, axis=0)
    return worst


def _of_speeds(figure: Figure, seen: Survey, servo_rad_s: Array) -> Array:
    """Servo torques (n, k) that constant servo speeds take beyond holding; other linkages at rest."""
    linkage, own = seen.linkage, seen.poses.own
    rates = seen.power @ servo_rad_s
    # The Jacobian a moment later and earlier; servos at constant speed, so J qdd = -(dJ/dt) qd.
    moment = 1e-5
    later, earlier = linkage.jacobian(own + moment * rates), linkage.jacobian(own - moment * rates)
    changing = (later - earlier) / (2.0 * moment)
    pushes = -np.einsum("nij,njk,nk->ni", seen.power, changing, rates)
    names = linkage.axes
    dynamics = Dynamics(figure)
    moving = dynamics.axis_torque(
        seen.poses.all,
        {name: rates[:, index] for index, name in enumerate(names)},
        {name: pushes[:, index] for index, name in enumerate(names)},
        friction=False,
    )
    taken = np.stack([moving[name] for name in names], axis=1)
    felt: Array = np.einsum("nij,ni->nj", seen.power, taken) - seen.holding_n_m
    # At the very end of a range the moment before may be out of reach; its neighbours speak for it.
    return np.where(np.isfinite(felt), felt, 0.0)


def _direct_row(figure: Figure, axis_name: str) -> TorqueRow:
    """A direct axis is its own track; its worst values are climbed exactly (:class:`.chain.Chain`)."""
    axis = figure.axes[axis_name]
    assert isinstance(axis.drive, DirectDrive)
    servo: Servo = figure.servos[axis.drive.servo]
    line = line_at(figure, servo)
    chain = Chain(figure, axis_name)
    return TorqueRow(
        track=axis_name,
        servo=servo.name,
        stall_n_m=line.stall_n_m * axis.drive.ratio,
        no_load_rad_s=line.no_load_rad_s / axis.drive.ratio,
        inertia_kg_m2={axis_name: chain.worst_inertia_kg_m2()},
        viscous_n_m_s={axis_name: axis.viscous_n_m_s},
        gravity_n_m=chain.holding_range_n_m(),
        friction_n_m=axis.friction_n_m,
        swing_n_m=0.0,
    )
