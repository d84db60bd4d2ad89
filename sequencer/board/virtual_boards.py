"""Virtual boards with the shipped player: what ``--port virtual`` opens; nothing needs installing.

Simulated: flash, boot loader, player, link, the memory that needs no power, and an I2C memory of two chips,
which is there whether a figure names one or not. Expanders all answer. Not simulated: what is on the bus and
how long it takes, an expander's oscillator, a part that is missing, and anything electrical: nobody looks at
the pins, and nothing hangs on them. For bus and pins there is the emulated board.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sequencer.board.chips import CHIPS
from sequencer.board.memory import SIZE as MEMORY_BYTES
from sequencer.board.virtual import PlayerCore, VirtualBoard, VirtualTransport
from sequencer.board.virtual_state import OUTSIDE_BYTES, FlashFile, memory_path, outside_path, state_path


class _Core:
    """The WebAssembly player core as the virtual board drives it; ``outside`` is kept in step when asked."""

    def __init__(self, player_crc32: int, number: int, memory: bytes, outside: bytearray) -> None:
        from sequencer.player.player import Player

        self._player = Player()
        self._player.memory = memory
        self._crc32 = player_crc32
        self._number = number
        self._outside = outside
        self._outside_at: int | None = None

    @property
    def memory(self) -> bytes:
        return self._player.memory

    def boot(self, image: bytes | None, reset_cause: int) -> object:
        from sequencer.tables.image import inside_bytes

        self.keep_outside()
        self._outside_at = None
        if image is not None and (inside := inside_bytes(image)) <= len(image):
            # To the player, the I2C memory begins where what is in flash ends.
            self._outside_at = inside
            image = image[:inside] + bytes(self._outside)
        return self._player.boot(image, reset_cause, self._number, self._crc32)

    def keep_outside(self) -> None:
        """What the player has been sent for the I2C memory is in it now."""
        if self._outside_at is not None:
            self._outside[:] = self._player.stored(self._outside_at, len(self._outside))

    def receive(self, data: bytes) -> None:
        self._player.receive(data)

    def transmit(self) -> bytes:
        return self._player.transmit()

    def tick(self) -> object:
        return self._player.tick()

    def frame_parts(self) -> int:
        return self._player.frame_parts()

    def clock(self, slot: int, into: int) -> None:
        self._player.clock(slot, into)


def make_board(
    state: Path | None = None,
    *,
    kind: str = "uno",
    blank: bool = False,
    any_baud: bool = False,
    clock_ppm: float = 0.0,
) -> tuple[VirtualBoard, Callable[[], None]]:
    """A virtual board and the function that keeps its flash and its memories.

    Args:
        state: the file that holds its flash; None: the one in the user's cache folder, for this kind.
        kind: which board, as ``figure.toml`` names it.
        blank: start with erased flash and keep nothing.
        any_baud: the line has no speed (see :class:`VirtualBoard`).
        clock_ppm: by how much its clock is fast.

    Raises:
        ImageError: the file is not a flash content of such a board, or the shipped player is damaged.

    """
    from sequencer.firmware.boards import prebuilt_player

    player, chip = prebuilt_player(kind), CHIPS[kind]
    file = state or state_path(kind)
    flash = FlashFile(None if blank else file, chip.flash, kind=kind)
    memory = FlashFile(None if blank else memory_path(file), MEMORY_BYTES, "memory", kind)
    outside = FlashFile(None if blank else outside_path(file), OUTSIDE_BYTES, "I2C memory", kind)
    cores: list[_Core] = []

    def core() -> PlayerCore:
        cores.append(_Core(player.crc32, chip.numbers[0], bytes(memory.content), outside.content))
        return cores[-1]

    board = VirtualBoard(
        flash.content,
        player_crc32=player.crc32,
        image_base=player.board.image_base,
        make_player=core,
        chip=chip,
        any_baud=any_baud,
        clock_ppm=clock_ppm,
    )

    def save() -> None:
        for each in cores:
            memory.content[:] = each.memory
            each.keep_outside()
        for kept in (flash, memory, outside):
            kept.save()

    return board, (lambda: None) if blank else save


def open_virtual(state: Path | None = None, kind: str = "uno") -> VirtualTransport:
    """A virtual board's port, in simulated time. Opening resets it, as on a real board."""
    board, save = make_board(state, kind=kind)
    return VirtualTransport(board, on_change=save)


def fresh_virtual(kind: str = "uno") -> VirtualTransport:
    """A virtual board as unpacked: blank flash, nothing kept."""
    board, _ = make_board(kind=kind, blank=True)
    return VirtualTransport(board)
