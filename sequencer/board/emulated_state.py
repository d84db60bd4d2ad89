"""The emulated board's memories kept between commands, as the virtual board's are."""

from __future__ import annotations

from pathlib import Path

from sequencer.board.emulated_kinds import BOARD_KINDS
from sequencer.board.emulated_parts import plug_parts, rest_inputs
from sequencer.board.emulated_port import EmulatedTransport, open_emulated
from sequencer.board.simavr import EEPROM_BYTES
from sequencer.board.virtual_state import OUTSIDE_BYTES, FlashFile, memory_path, outside_path, state_path
from sequencer.errors import LinkError


class KeptTransport(EmulatedTransport):
    """An emulated board whose memories are written to their files when the port closes."""

    def __init__(
        self, inner: EmulatedTransport, kept: FlashFile, memory: FlashFile, outside: FlashFile, kind: str
    ) -> None:
        super().__init__(inner.board, inner.name)
        self._kept = kept
        self._memory = memory
        self._outside = outside
        self._kind = kind
        self._chips = plug_parts(self, bytes(outside.content))
        self.board.chip.set_eeprom(0, bytes(memory.content))

    def reset(self) -> None:
        """As any; the show that is in the flash by now says which level its inputs rest at."""
        rest_inputs(self, self._kind)
        super().reset()

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
        self._outside.content[:] = b"".join(bytes(chip.content) for chip in self._chips)
        self._outside.save()
        super().close()


def open_kept(state: Path | None = None, kind: str = "uno") -> KeptTransport:
    """An emulated board with what an earlier command flashed. Opening resets it, as on a real board.

    Raises:
        PortError: the emulator or the loader's source is not installed.

    """
    file = state or state_path().with_name(f"emulated_{kind}.flash")
    kept = FlashFile(file, BOARD_KINDS[kind].flash_bytes, kind=kind)
    memory = FlashFile(memory_path(file), EEPROM_BYTES, "memory", kind)
    outside = FlashFile(outside_path(file), OUTSIDE_BYTES, "I2C memory", kind)
    port = KeptTransport(open_emulated(bytes(kept.content), kind=kind), kept, memory, outside, kind)
    port.reset()
    return port
