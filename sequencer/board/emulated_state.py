"""The emulated board's flash and EEPROM kept between commands, as the virtual board's is."""

from __future__ import annotations

from pathlib import Path

from sequencer.board.emulated_kinds import BOARD_KINDS
from sequencer.board.emulated_port import EmulatedTransport, open_emulated
from sequencer.board.simavr import EEPROM_BYTES
from sequencer.board.virtual_state import FlashFile, memory_path, state_path
from sequencer.errors import LinkError


class KeptTransport(EmulatedTransport):
    """An emulated board whose flash and EEPROM are written to their files when the port closes."""

    def __init__(self, inner: EmulatedTransport, kept: FlashFile, memory: FlashFile) -> None:
        super().__init__(inner.board, inner.name)
        self._kept = kept
        self._memory = memory
        self.board.chip.set_eeprom(0, bytes(memory.content))

    def close(self) -> None:
        """Keep the EEPROM and the flash below the loader, then let the port go."""
        try:
            self._check()
        except LinkError:
            return
        below = self.board.kind.loader_start
        self._kept.content[:below] = self.board.chip.flash()[:below]
        self._kept.save()
        self._memory.content[:] = self.board.chip.eeprom()
        self._memory.save()
        super().close()


def open_kept(state: Path | None = None, kind: str = "uno") -> KeptTransport:
    """An emulated board with what an earlier command flashed. Opening resets it, as on a real board.

    Raises:
        PortError: the emulator or the loader's source is not installed.

    """
    file = state or state_path().with_name(f"emulated_{kind}.flash")
    kept = FlashFile(file, BOARD_KINDS[kind].flash_bytes, kind=kind)
    memory = FlashFile(memory_path(file), EEPROM_BYTES, "memory", kind)
    port = KeptTransport(open_emulated(bytes(kept.content), kind=kind), kept, memory)
    port.reset()
    return port
