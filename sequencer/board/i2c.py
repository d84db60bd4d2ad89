"""Parts on an emulated I2C bus: what each of them does, byte by byte."""

from __future__ import annotations

from typing import Protocol


class I2cPart(Protocol):
    """A device on the bus. ``address`` is its 7-bit address."""

    address: int

    def begin(self, reading: bool) -> bool:  # pragma: no cover - a protocol
        """START, or a repeated one, with its address: False = it does not answer."""
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
        self._now: I2cPart | None = None
        self._written = bytearray()

    def plug(self, part: I2cPart) -> None:
        """Put a part on the bus."""
        self.parts[part.address] = part

    def unplug(self, address: int) -> None:
        """Take the part at an address off the bus."""
        part = self.parts.pop(address, None)
        if part is not None and part is self._now:
            self._now = None

    def start(self, address: int, reading: bool) -> bool:
        """A START condition with an address; whether somebody answers."""
        self.bytes += 1
        self._now = self.parts.get(address)
        if self._now is not None and not self._now.begin(reading):
            self._now = None
        return self._now is not None

    def write(self, byte: int) -> bool:
        """One byte from the master; whether it is taken."""
        self.bytes += 1
        if self._now is None or not self._now.write(byte):
            return False
        self._written.append(byte)
        return True

    def read(self) -> int:
        """One byte to the master; 255 when nobody drives the line."""
        self.bytes += 1
        return 0xFF if self._now is None else self._now.read()

    def stop(self) -> None:
        """A STOP condition."""
        if self._now is not None:
            self._now.end()
            self.log.append((self._now.address, bytes(self._written)))
        self._written.clear()
        self._now = None
