"""What the uploader must know of each kind of board: its chip's sizes and the boot loader's protocol."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

#: Chips by signature, for the message when the wrong one answers.
SIGNATURES = {
    b"\x1e\x95\x0f": "ATmega328P (Uno, Nano)",
    b"\x1e\x95\x14": "ATmega328",
    b"\x1e\x95\x16": "ATmega328PB",
    b"\x1e\x94\x06": "ATmega168",
    b"\x1e\x94\x0b": "ATmega168P",
    b"\x1e\x95\x87": "ATmega32U4 (Leonardo, Micro)",
    b"\x1e\x98\x01": "ATmega2560 (Mega 2560)",
    b"\x1e\x97\x03": "ATmega1280 (Mega)",
}


@dataclass(frozen=True)
class Chip:
    """A chip on its board. ``usable`` is where the loader begins (bytes).

    ``bauds`` are the speeds of the loaders that such boards come with, newest first. ``numbers`` are
    the boards (as in an image's header) whose player runs on it. ``device_code`` is STK500v1's.
    """

    name: str
    board: str
    protocol: Literal["stk500v1", "stk500v2"]
    signature: bytes
    page: int
    usable: int
    flash: int
    eeprom: int
    device_code: int
    bauds: tuple[int, ...]
    numbers: tuple[int, ...]

    @property
    def baud(self) -> int:
        """The speed of the newest loader."""
        return self.bauds[0]


#: What the old loader of Nanos speaks.
OLD_NANO_BAUD = 57_600

UNO = Chip(
    "ATmega328P",
    "an Uno",
    "stk500v1",
    b"\x1e\x95\x0f",
    page=128,
    usable=0x7E00,
    flash=0x8000,
    eeprom=1024,
    device_code=0x86,
    bauds=(115200,),
    numbers=(1, 2),
)
#: Its old loader has 2 KB; the new one has 512 bytes and is entered through the empty flash before it.
NANO = replace(UNO, board="a Nano", usable=0x7800, bauds=(115200, OLD_NANO_BAUD))
MEGA = Chip(
    "ATmega2560",
    "a Mega",
    "stk500v2",
    b"\x1e\x98\x01",
    page=256,
    usable=0x3E000,
    flash=0x40000,
    eeprom=4096,
    device_code=0xB2,
    bauds=(115200,),
    numbers=(3,),
)
#: By the kind that ``figure.toml`` names.
CHIPS: Mapping[str, Chip] = {"uno": UNO, "nano": NANO, "mega": MEGA}
