"""An I2C memory of the 24LC512 class as its datasheet describes it (Microchip DS20001754)."""

from __future__ import annotations

from collections.abc import Callable

BYTES, PAGE = 65_536, 128
#: A write cycle takes at most this long; until it is over the chip does not answer.
WRITE_S = 0.005


class Eeprom24:
    """One chip. ``now_s`` tells the time, for its write cycles; ``content`` is what it keeps."""

    def __init__(self, now_s: Callable[[], float], address: int = 0x50) -> None:
        self.address = address
        self.content = bytearray(b"\xff" * BYTES)
        self.writes = 0
        self._now_s = now_s
        self._busy_until = 0.0
        self._at = 0
        self._count = 0
        self._waiting: dict[int, int] = {}

    def begin(self, reading: bool) -> bool:
        """No answer while it writes. Reading goes on at the address that was written last."""
        if self._now_s() < self._busy_until:
            return False
        if not reading:
            self._count = 0
            self._waiting = {}
        return True

    def begin_call(self) -> bool:
        """The general call is nothing to it."""
        return False

    def write(self, byte: int) -> bool:
        """Two address bytes, then data; the address goes round within a page."""
        if self._count < 2:
            self._at = (self._at << 8 | byte) & 0xFFFF
        else:
            self._waiting[self._at] = byte
            self._at = self._at & ~(PAGE - 1) | (self._at + 1) & (PAGE - 1)
        self._count += 1
        return True

    def read(self) -> int:
        """The next byte; the address goes round at the chip's end."""
        byte = self.content[self._at]
        self._at = (self._at + 1) & 0xFFFF
        return byte

    def end(self) -> None:
        """STOP: what was written is kept from now on."""
        if self._waiting:
            for at, byte in self._waiting.items():
                self.content[at] = byte
            self._waiting = {}
            self.writes += 1
            self._busy_until = self._now_s() + WRITE_S
