"""Strings of addressable lamps in a show image (FORMAT.md, "Strings"): extra 6."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sequencer.errors import Fault, ImageError
from sequencer.tables.model import Extra

TAG: Final = 6
MOST_STRINGS: Final = 4
#: More do not fit the board's receive ring while they are written.
MOST_LEDS: Final = 40
_RECORD = struct.Struct("<BB3B3BB")


@dataclass(frozen=True)
class StringRecord:
    """One string: three lamps and what share of 255 of each, in the order in which they go over the wire."""

    pin: int
    leds: int
    lamps: tuple[int, int, int]
    shares: tuple[int, int, int]


def strings_extra(strings: Sequence[StringRecord]) -> Extra | None:
    """The extra, or None without strings.

    Raises:
        ValueError: more strings or lamps than a player writes, or a number beyond its field.
    """
    if not strings:
        return None
    if len(strings) > MOST_STRINGS or any(not 0 < item.leds <= MOST_LEDS for item in strings):
        raise ValueError(f"a player writes at most {MOST_STRINGS} strings of 1 to {MOST_LEDS} lamps")
    try:
        records = b"".join(_RECORD.pack(s.pin, s.leds, *s.lamps, *s.shares, 0) for s in strings)
    except struct.error as error:
        raise ValueError(f"a string's number does not fit its field: {error}") from error
    return Extra(TAG, bytes([len(strings)]) + records)


def read_strings(content: bytes, lamps: int) -> tuple[StringRecord, ...]:
    """An extra's content back into records. Raises ImageError: cut short, or lamps that are not there."""
    try:
        if not 0 < content[0] <= MOST_STRINGS or len(content) != 1 + _RECORD.size * content[0]:
            raise ValueError(f"{content[0]} strings in {len(content)} bytes")
        found = []
        for fields in _RECORD.iter_unpack(content[1:]):
            pin, leds, one, two, three, first, second, third, zero = fields
            if not 0 < leds <= MOST_LEDS or max(one, two, three) >= lamps or zero:
                raise ValueError(f"a string of {leds} lamps that follows lamps {one}, {two}, {three}")
            found.append(StringRecord(pin, leds, (one, two, three), (first, second, third)))
    except (struct.error, IndexError, ValueError) as error:
        raise ImageError(
            Fault(f"the image's strings cannot be read: {error}", remedy="compile the show again")
        ) from error
    return tuple(found)
