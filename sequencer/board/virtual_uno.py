"""The virtual Uno with the shipped player: what ``--port virtual`` opens; nothing needs installing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sequencer.board.memory import SIZE as MEMORY_BYTES
from sequencer.board.virtual import FLASH_BYTES, PlayerCore, VirtualBoard, VirtualTransport
from sequencer.board.virtual_state import FlashFile, memory_path, state_path


class _Core:
    """The WebAssembly player core as the virtual board drives it."""

    def __init__(self, player_crc32: int, memory: bytes) -> None:
        from sequencer.player.player import Player

        self._player = Player()
        self._player.memory = memory
        self._crc32 = player_crc32

    @property
    def memory(self) -> bytes:
        return self._player.memory

    def boot(self, image: bytes | None, reset_cause: int) -> object:
        return self._player.boot(image, reset_cause, player_crc=self._crc32)

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
    state: Path | None = None, *, blank: bool = False, any_baud: bool = False, clock_ppm: float = 0.0
) -> tuple[VirtualBoard, Callable[[], None]]:
    """A virtual Uno and the function that keeps its flash and its memory.

    Args:
        state: the file that holds its flash; None: the one in the user's cache folder.
        blank: start with erased flash and keep nothing.
        any_baud: the line has no speed (see :class:`VirtualBoard`).
        clock_ppm: by how much its clock is fast.

    Raises:
        ImageError: the file is not a flash content, or the shipped player is damaged.

    """
    from sequencer.firmware.boards import prebuilt_player

    player = prebuilt_player("uno")

    file = state or state_path()
    kept = None if blank else FlashFile(file, FLASH_BYTES)
    memory = None if blank else FlashFile(memory_path(file), MEMORY_BYTES, "memory")
    cores: list[_Core] = []

    def core() -> PlayerCore:
        cores.append(_Core(player.crc32, bytes(memory.content if memory else b"\xff" * MEMORY_BYTES)))
        return cores[-1]

    board = VirtualBoard(
        kept.content if kept is not None else None,
        player_crc32=player.crc32,
        image_base=player.board.image_base,
        make_player=core,
        any_baud=any_baud,
        clock_ppm=clock_ppm,
    )

    def save() -> None:
        if kept is None or memory is None:
            return
        kept.save()
        for each in cores:
            memory.content[:] = each.memory
            memory.save()

    return board, save


def open_virtual(state: Path | None = None) -> VirtualTransport:
    """The virtual Uno's port, in simulated time. Opening resets it, as on a real board."""
    board, save = make_board(state)
    return VirtualTransport(board, on_change=save)


def fresh_virtual() -> VirtualTransport:
    """A virtual Uno as unpacked: blank flash, nothing kept."""
    board, _ = make_board(blank=True)
    return VirtualTransport(board)
