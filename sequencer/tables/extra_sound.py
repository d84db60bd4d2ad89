"""The sound module in a show image (FORMAT.md, "Sound module"): extra 7."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

from sequencer.errors import Fault, ImageError
from sequencer.tables.model import Extra

TAG: Final = 7
#: No byte of the message is the track's number.
NO_PLACE: Final = 255
_HEAD = struct.Struct("<BBHBB")
_ROW = struct.Struct("<BH")


@dataclass(frozen=True)
class SoundRecord:
    """The module: ``time`` is a pulse's frames, or the cycles of a serial bit.

    ``message`` is sent with the track's number in place of its byte ``place``. ``starts`` has, for each
    scene, the track and the scene's clock (frames played, 1 and on) at which it is told; None: silent.
    ``silence`` is the track told when a stop begins or the servos lose their power; None: it plays on.
    """

    pin: int
    serial: bool
    active_low: bool
    time: int
    message: bytes
    place: int
    starts: tuple[tuple[int, int] | None, ...]
    silence: int | None = None


def sound_extra(record: SoundRecord) -> Extra:
    """The extra. Raises ValueError: a number beyond its field."""
    try:
        stop = None if record.silence is None else (record.silence, 1)
        rows = b"".join(_ROW.pack(*(start or (0, 0))) for start in (*record.starts, stop))
        flags = int(record.serial) | int(record.active_low) << 1
        head = _HEAD.pack(record.pin, flags, record.time, record.place, len(record.message))
    except struct.error as error:
        raise ValueError(f"a number of the sound module does not fit its field: {error}") from error
    return Extra(TAG, head + rows + record.message)


def read_sound(content: bytes, scenes: int) -> SoundRecord:
    """An extra's content back into the record. Raises ImageError: cut short or of an unknown kind."""
    try:
        pin, flags, time, place, length = _HEAD.unpack_from(content)
        at = _HEAD.size + _ROW.size * (scenes + 1)
        if flags > 3 or len(content) != at + length or (place != NO_PLACE and place >= length):
            raise ValueError(f"{len(content)} bytes, flags {flags}")
        rows = [_ROW.unpack_from(content, _HEAD.size + _ROW.size * index) for index in range(scenes + 1)]
    except (struct.error, ValueError) as error:
        raise ImageError(
            Fault(f"the image's sound module cannot be read: {error}", remedy="compile the show again")
        ) from error
    *starts, stop = ((track, clock) if clock else None for track, clock in rows)
    silence = None if stop is None else stop[0]
    return SoundRecord(
        pin, bool(flags & 1), bool(flags & 2), time, content[at:], place, tuple(starts), silence
    )
