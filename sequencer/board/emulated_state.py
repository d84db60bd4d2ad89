"""The emulated board's flash kept between commands, as the virtual board's is."""

from __future__ import annotations

from pathlib import Path

from sequencer.board.emulated_port import EmulatedTransport, open_emulated
from sequencer.board.virtual_state import FlashFile, state_path
from sequencer.errors import LinkError


class KeptTransport(EmulatedTransport):
    """An emulated board whose flash is written to its file when the port closes."""

    def __init__(self, inner: EmulatedTransport, kept: FlashFile) -> None:
        super().__init__(inner.board, inner.name)
        self._kept = kept

    def close(self) -> None:
        """Keep the flash below the loader, then let the port go."""
        try:
            self._check()
        except LinkError:
            return
        below = self.board.kind.loader_start
        self._kept.content[:below] = self.board.chip.flash()[:below]
        self._kept.save()
        super().close()


def open_kept(state: Path | None = None) -> KeptTransport:
    """The emulated Uno with what an earlier command flashed. Opening resets it, as on a real board.

    Raises:
        PortError: the emulator or the loader's source is not installed.

    """
    kept = FlashFile(state or state_path().with_name("emulated_uno.flash"), 0x8000)
    port = KeptTransport(open_emulated(bytes(kept.content)), kept)
    port.reset()
    return port
