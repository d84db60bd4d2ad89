"""What the masses mean to each axis, and what torque its servos have left for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.chain import Body as Body
from sequencer.figure.chain import Chain as Chain
from sequencer.figure.chain import below as below
from sequencer.figure.chain import body as body
from sequencer.figure.chain import carried as carried
from sequencer.figure.chain import rotations as rotations
from sequencer.figure.gearing import gearing
from sequencer.figure.model import Axis, AxisPhysics, DirectDrive, Figure
from sequencer.figure.servo_line import SHARE_AT_SPEED as SHARE_AT_SPEED
from sequencer.figure.servo_line import SHARE_OF_SPEED as SHARE_OF_SPEED
from sequencer.figure.servo_line import line_at
from sequencer.figure.torque import SAMPLED, Survey, survey

Array = NDArray[np.float64]


def stall_at_axis_n_m(figure: Figure, axis: Axis) -> float:
    """Torque at the axis when the first of its servos gives its derated stall torque at this supply."""
    return min(
        line_at(figure, figure.servos[name]).stall_n_m / gear.load
        for name, gear in gearing(figure, axis.name).items()
    )


def physics(figure: Figure, axis_name: str) -> AxisPhysics:
    """Inertia, gravity, friction and torque of one axis (see :class:`AxisPhysics`).

    Raises KeyError for an axis the figure does not have.
    """
    axis = figure.axes[axis_name]
    chain = Chain(figure, axis_name)
    gravity = chain.worst_gravity_n_m()
    if isinstance(axis.drive, DirectDrive):
        stall = stall_at_axis_n_m(figure, axis)
        load = gravity + axis.friction_n_m
        top = SHARE_OF_SPEED * line_at(figure, figure.servos[axis.drive.servo]).no_load_rad_s
        available = SHARE_AT_SPEED * stall - load - axis.viscous_n_m_s * top / axis.drive.ratio
        margin = 1.0 - load / stall
    else:
        available, margin = _through_linkage(figure, axis_name, survey(figure, axis_name))
    return AxisPhysics(
        inertia_kg_m2=chain.worst_inertia_kg_m2(),
        gravity_torque_n_m=gravity,
        friction_torque_n_m=axis.friction_n_m,
        available_torque_n_m=available,
        torque_margin=margin,
    )


def spare_at_stall_n_m(figure: Figure, axis_name: str) -> float:
    """Friction that an axis could have on top before its servos stall, at the worst pose; negative: none.

    Raises KeyError for an axis the figure does not have.
    """
    axis = figure.axes[axis_name]
    if isinstance(axis.drive, DirectDrive):
        load = Chain(figure, axis_name).worst_gravity_n_m() + axis.friction_n_m
        return stall_at_axis_n_m(figure, axis) - load
    seen = survey(figure, axis_name)
    stall = np.array([line_at(figure, figure.servos[name]).stall_n_m for name in seen.linkage.servos])
    # Loads are counted a little too big between samples, and so would this friction be.
    return _left_at_axis_n_m(seen, axis_name, stall - _load_n_m(seen)) / SAMPLED


def _load_n_m(seen: Survey) -> Array:
    """(n, k) what gravity and friction ask of each servo, as sizes."""
    load: Array = SAMPLED * (np.abs(seen.holding_n_m) + seen.friction_n_m)
    return load


def _left_at_axis_n_m(seen: Survey, axis_name: str, left: Array) -> float:
    """The least over the poses of what ``left`` (n, k) at the servos is at one axis."""
    # What one newton metre at the axis asks of each servo.
    share = np.abs(seen.power[:, seen.linkage.axes.index(axis_name), :])
    return float(np.where(left > 0.0, left / np.maximum(share, 1e-9), left).min())


def _through_linkage(figure: Figure, axis_name: str, seen: Survey) -> tuple[float, float]:
    """Torque left at the axis, and the margin of the servo that is loaded most, the worst over the range.

    At each pose the servos hold gravity and friction of all axes of the linkage; what is left of half of
    their stall torque may go to this axis, as long as the first of them has any. Viscous friction
    counts with all servos at their top speeds.
    """
    lines = [line_at(figure, figure.servos[name]) for name in seen.linkage.servos]
    stall = np.array([line.stall_n_m for line in lines])
    tops = SHARE_OF_SPEED * np.array([line.no_load_rad_s for line in lines])
    load = _load_n_m(seen)
    left = SHARE_AT_SPEED * stall - load - np.abs(seen.viscous_n_m_s) @ tops
    return _left_at_axis_n_m(seen, axis_name, left), float(1.0 - (load / stall).max())
