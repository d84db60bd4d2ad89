"""Analog inputs and the stall guard's limits in a show image (FORMAT.md, "Stall guard"): extra 3."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sequencer.errors import Fault, ImageError
from sequencer.tables.model import Extra

TAG: Final = 3
#: What a record "watches" besides a track's number.
SUPPLY_CURRENT: Final = 255
SUPPLY_VOLTAGE: Final = 254
#: Analog inputs that a player keeps track of.
MOST_SENSORS: Final = 4
#: A scene has at most this many slices; a slice has 2^5 frames (0.64 s) or more.
MOST_SLICES: Final = 64
LEAST_SHIFT: Final = 5
#: The most a value or limit can be: no limit.
NO_LIMIT: Final = 255
_RECORD = struct.Struct("<BBHHBBBB")
_ROW = struct.Struct("<BBH")


@dataclass(frozen=True)
class SensorRecord:
    """One analog input. Its value is ``abs(mean - offset_q6) >> shift``, means in 1/64 of a count.

    ``scale`` * ``abs(mean - offset_q6)`` / 32768 is in mA (mV). The guard trips when the value has been above
    ``ceiling``, or the slice's limit when that is lower, for ``frames`` frames: the track that it ``watches``
    (255: all) loses its pulses, unless ``tell_only``; ``hold``: the player stops, too.
    """

    pin: int
    watches: int
    scale: int
    offset_q6: int
    shift: int
    ceiling: int
    frames: int
    hold: bool
    tell_only: bool

    @property
    def unit(self) -> float:
        """mA (mV) of one step of the value."""
        return self.scale * (1 << self.shift) / 32768


@dataclass(frozen=True)
class GuardContent:
    """The extra's content. ``limits`` has a row a scene: None, or a bytes a sensor, one byte a slice."""

    sensors: tuple[SensorRecord, ...]
    limits: tuple[tuple[bytes, ...] | None, ...]
    shifts: tuple[int, ...]


def slice_shift(frames: int) -> int:
    """2^shift frames make a slice of a scene of so many frames."""
    shift = LEAST_SHIFT
    while slices(frames, shift) > MOST_SLICES:
        shift += 1
    return shift


def slices(frames: int, shift: int) -> int:
    """How many slices a scene has."""
    return (frames - 1 >> shift) + 1


def guard_extra(
    sensors: Sequence[SensorRecord], frames: Sequence[int], limits: Sequence[tuple[bytes, ...] | None]
) -> Extra | None:
    """The extra, or None without sensors.

    Args:
        sensors: in the order of their numbers.
        frames: each scene's length, in the image's order.
        limits: each scene's limits, one bytes a sensor with a byte a slice; None: nothing learned.

    Raises:
        ValueError: too many sensors, limits of another shape, or a number beyond its field.
    """
    if not sensors:
        return None
    if len(sensors) > MOST_SENSORS:
        raise ValueError(f"a player watches at most {MOST_SENSORS} analog inputs, not {len(sensors)}")
    at = 1 + _RECORD.size * len(sensors) + _ROW.size * len(frames)
    rows, tail = b"", b""
    for count, scene in zip(frames, limits, strict=True):
        shift = slice_shift(count)
        wanted = slices(count, shift)
        if scene is not None and [len(row) for row in scene] != [wanted] * len(sensors):
            raise ValueError(f"a scene of {count} frames needs {wanted} limits for each sensor")
        rows += _ROW.pack(shift, wanted, 0 if scene is None else at + len(tail))
        tail += b"".join(scene or ())
    try:
        records = b"".join(
            _RECORD.pack(
                *(item.pin, item.watches, item.scale, item.offset_q6, item.shift, item.ceiling),
                *(item.frames, int(item.hold) | int(item.tell_only) << 1),
            )
            for item in sensors
        )
    except struct.error as error:
        raise ValueError(f"a sensor's number does not fit its field: {error}") from error
    return Extra(TAG, bytes([len(sensors)]) + records + rows + tail)


def read_guard(content: bytes, scenes: int) -> GuardContent:
    """An extra's content back into its parts.

    Raises:
        ImageError: cut short, or limits outside of it.
    """
    try:
        count = content[0]
        if not 0 < count <= MOST_SENSORS:
            raise ValueError(f"{count} sensors")
        sensors = []
        for index in range(count):
            fields = _RECORD.unpack_from(content, 1 + _RECORD.size * index)
            flags = fields[7]
            if flags > 3 or not 0 < fields[4] <= 8 or fields[6] == 0:
                raise ValueError(f"sensor {index} is of a kind that no player knows")
            sensors.append(SensorRecord(*(*fields[:7], bool(flags & 1), bool(flags & 2))))
        rows, shifts = [], []
        for index in range(scenes):
            shift, wanted, at = _ROW.unpack_from(content, 1 + _RECORD.size * count + _ROW.size * index)
            if at and at + wanted * count > len(content):
                raise ValueError(f"the limits of scene {index} lie outside")
            shifts.append(shift)
            rows.append(
                tuple(content[at + wanted * i : at + wanted * (i + 1)] for i in range(count)) if at else None
            )
    except (struct.error, IndexError, ValueError) as error:
        raise ImageError(
            Fault(f"the image's stall guard cannot be read: {error}", remedy="compile the show again")
        ) from error
    return GuardContent(tuple(sensors), tuple(rows), tuple(shifts))
