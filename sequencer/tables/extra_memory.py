"""Where a long show's streams lie that have no room in the board's flash (FORMAT.md, "Memory")."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from sequencer.errors import Fault, ImageError
from sequencer.tables.model import Extra, content_of

TAG = 5
#: One chip of the 24LC512 class.
CHIP_BYTES = 65_536
#: An Uno's offsets have 16 bits: the whole image ends below this.
SMALL_IMAGE_BYTES = 65_535
I2C_MEMORY = 1

_LAYOUT = struct.Struct("<BBII")


@dataclass(frozen=True)
class Outside:
    """What lies outside of the image proper: how many bytes on a bus of so many kHz, and their CRC-32."""

    bus_khz: int
    size: int
    crc32: int


def memory_extra(outside: bytes, bus_khz: int) -> Extra:
    """The extra that vouches for these bytes.

    Raises:
        ValueError: a bus that is neither of 100 nor of 400 kHz.
    """
    if bus_khz not in (100, 400):
        raise ValueError("a bus of 100 or 400 kHz")
    return Extra(TAG, _LAYOUT.pack(bus_khz // 100, I2C_MEMORY, len(outside), zlib.crc32(outside)))


def read_memory(extras: tuple[Extra, ...]) -> Outside | None:
    """What these extras say of an outside part; None when there is none.

    Raises:
        ImageError: the extra is damaged.
    """
    content = content_of(extras, TAG)
    if content is None:
        return None
    if len(content) != _LAYOUT.size or content[0] not in (1, 4) or content[1] != I2C_MEMORY:
        raise ImageError(Fault("the image's note of its memory is damaged", quantity="extra", value=str(TAG)))
    speed, _, size, crc32 = _LAYOUT.unpack(content)
    return Outside(100 * speed, size, crc32)
