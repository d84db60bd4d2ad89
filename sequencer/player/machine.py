"""What a compiled player core offers: calls by name, and its memory. The core is C (firmware_templates)."""

from __future__ import annotations

from typing import Protocol


class Machine(Protocol):
    """One instance of the compiled core, with its own memory.

    ``call`` runs an exported function of unsigned 32-bit numbers; addresses that functions return are
    good for ``read`` and ``write`` for as long as the machine lives.
    """

    def call(self, name: str, *numbers: int) -> int:  # pragma: no cover - a protocol
        """Run an exported function; 0 for one that returns nothing."""
        ...

    def read(self, address: int, size: int) -> bytes:  # pragma: no cover
        """Copy bytes out."""
        ...

    def write(self, address: int, data: bytes) -> None:  # pragma: no cover
        """Copy bytes in."""
        ...
