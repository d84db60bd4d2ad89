"""Which servos move an axis, and which axes a servo moves."""

from __future__ import annotations

from sequencer.figure.model import Axis, Figure, PairDrive


def servos_of(figure: Figure, axis_name: str) -> tuple[str, ...]:
    """The servos that move an axis, in the order of its linkage: one, or the two of a pair.

    Raises KeyError for an axis the figure does not have.
    """
    drive = figure.axes[axis_name].drive
    if isinstance(drive, PairDrive):
        return tuple(crank.servo for crank in figure.pairs[drive.pair].cranks)
    return (drive.servo,)


def axes_of(figure: Figure, servo_name: str) -> tuple[str, ...]:
    """The axes that a servo moves, in the file's order; none for a servo that moves nothing yet."""
    return tuple(name for name in figure.axes if servo_name in servos_of(figure, name))


def group_of(figure: Figure, axis_name: str) -> str | None:
    """The pair that an axis belongs to, or None for an axis with a servo of its own."""
    drive = figure.axes[axis_name].drive
    return drive.pair if isinstance(drive, PairDrive) else None


def first_servo(figure: Figure, axis: Axis) -> str:
    """The servo that stands for an axis where one name is enough."""
    return servos_of(figure, axis.name)[0]


def track_of(figure: Figure, servo_name: str) -> str:
    """The track of a servo: named after its axis when one servo serves one axis, else after the servo."""
    axes = axes_of(figure, servo_name)
    if len(axes) == 1 and len(servos_of(figure, axes[0])) == 1:
        return axes[0]
    return servo_name
