"""Parts on an emulated I2C bus: what each of them does, byte by byte."""

from __future__ import annotations

from typing import Final, Protocol

GENERAL_CALL: Final = 0x00


class I2cPart(Protocol):
    """A device on the bus. ``address`` is its 7-bit address."""

    address: int

    def begin(self, reading: bool) -> bool:  # pragma: no cover - a protocol
        """START, or a repeated one, with its address: False = it does not answer."""
        ...

    def begin_call(self) -> bool:  # pragma: no cover
        """START with the general call, address 0: False = it does not listen to that."""
        ...

    def write(self, byte: int) -> bool:  # pragma: no cover
        """A byte for it; False = it refuses."""
        ...

    def read(self) -> int:  # pragma: no cover
        """A byte from it."""
        ...

    def end(self) -> None:  # pragma: no cover
        """STOP."""
        ...


class I2cBus:
    """Parts by address, and what goes over it. ``log`` holds whole transfers: (address, bytes written)."""

    def __init__(self) -> None:
        self.parts: dict[int, I2cPart] = {}
        self.log: list[tuple[int, bytes]] = []
        self.bytes = 0
        self._address = GENERAL_CALL
        self._now: list[I2cPart] = []
        self._written = bytearray()

    def plug(self, part: I2cPart) -> None:
        """Put a part on the bus."""
        self.parts[part.address] = part

    def unplug(self, address: int) -> None:
        """Take the part at an address off the bus."""
        part = self.parts.pop(address, None)
        self._now = [other for other in self._now if other is not part]

    def start(self, address: int, reading: bool) -> bool:
        """A START condition with an address; whether somebody answers."""
        self.bytes += 1
        self._address = address
        if address == GENERAL_CALL:
            self._now = [part for part in self.parts.values() if not reading and part.begin_call()]
        else:
            here = self.parts.get(address)
            self._now = [here] if here is not None and here.begin(reading) else []
        return bool(self._now)

    def write(self, byte: int) -> bool:
        """One byte from the master; whether it is taken."""
        self.bytes += 1
        taken = [part.write(byte) for part in self._now]  # each of them hears it
        if not any(taken):
            return False
        self._written.append(byte)
        return True

    def read(self) -> int:
        """One byte to the master; 255 when nobody drives the line."""
        self.bytes += 1
        return self._now[0].read() if self._now else 0xFF

    def stop(self) -> None:
        """A STOP condition."""
        for part in self._now:
            part.end()
        if self._now:
            self.log.append((self._address, bytes(self._written)))
        self._written.clear()
        self._now = []
