"""A virtual board in this process: flash, a boot loader, and the real player core (WebAssembly).

Time is simulated, in microseconds, and passes only while somebody reads; so a run repeats exactly
and takes as long as the computer needs. The uploader and the link see what they see on a real board:
a line speed, a loader that gives up after a second of silence, a reset for a bad command end, a dead
board while the trap page is in place.
"""

from __future__ import annotations

import math
import zlib
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from sequencer.board.chips import UNO, Chip
from sequencer.board.flash import TRAP
from sequencer.board.port_trouble import went_away
from sequencer.board.virtual_loader import Ending, boot_loader
from sequencer.board.virtual_loader_v2 import boot_loader_v2
from sequencer.errors import LinkError
from sequencer.tables.extra_clock import PARTS
from sequencer.tables.model import FRAME_US

MAGIC = b"QJK1"
LOADER_US = 1_000_000
#: A sixth of a frame.
SLOT = 53_333
WATCHDOG_US = 16_000
PLAYER_BAUD = 250_000
#: Bits of the chip's reset cause register (ATmega328P datasheet, MCUSR).
POWER_ON, EXTERNAL, WATCHDOG = 1, 2, 8


class PlayerCore(Protocol):
    """What the virtual board needs of the player core."""

    def boot(self, image: bytes | None, reset_cause: int) -> object:
        """Start with the image, or with none."""

    def receive(self, data: bytes) -> None:
        """Bytes that came over the link."""

    def transmit(self) -> bytes:
        """Bytes to send since the last call."""

    def tick(self) -> object:
        """One servo frame."""

    def frame_parts(self) -> int:
        """How many 320 000ths of 20 ms the frame that begins lasts."""

    def clock(self, slot: int, into: int) -> None:
        """The time in the running frame: its sixth, and 320 000ths into that."""


class Mode(Enum):
    """What the chip is executing."""

    LOADER = "loader"
    RESETTING = "resetting"
    PLAYER = "player"
    DEAD = "dead"


@dataclass
class Faults:
    """Trouble on demand, for tests.

    ``unplug_after`` host bytes the cable goes away; a ``silent`` board hears and says nothing;
    ``to_board`` and ``to_host`` change a chunk on its way (flip, drop, repeat); ``keep`` changes what
    a page write leaves in flash, given its byte address and data.
    """

    unplug_after: int | None = None
    silent: bool = False
    to_board: Callable[[bytes], bytes] | None = None
    to_host: Callable[[bytes], bytes] | None = None
    keep: Callable[[int, bytes], bytes] | None = None


class VirtualBoard:
    """The board: its flash and whatever runs on it, in simulated microseconds.

    Args:
        flash: all of the chip's, kept and changed in place; None: blank.
        chip: sizes and which loader speaks; the newest of the loaders that such boards have.
        image_base: where the image begins; the player's code lies below.
        player_crc32: which player's code the core stands for; the chip runs nothing else.
        make_player: how to get a core (once, when first needed).
        any_baud: the line has no speed (a pty or socket carries bytes as they are).
        clock_ppm: by how much its clock is fast; in a virtual board's own time it is not.

    """

    def __init__(
        self,
        flash: bytearray | None = None,
        *,
        player_crc32: int,
        image_base: int,
        make_player: Callable[[], PlayerCore],
        chip: Chip = UNO,
        any_baud: bool = False,
        faults: Faults | None = None,
        clock_ppm: float = 0.0,
    ) -> None:
        self.chip = chip
        self.flash = flash if flash is not None else bytearray(b"\xff" * chip.flash)
        self.faults = faults or Faults()
        self.now_us = 0
        self._rate = 1.0 + clock_ppm / 1e6
        self._frame_us = 0.0
        self.resets = 0
        self._player_crc32 = player_crc32
        self._image_base = image_base
        self._make_player = make_player
        self._any_baud = any_baud
        self._core: PlayerCore | None = None
        self._arriving: deque[tuple[int, int, int]] = deque()
        self._sent: deque[tuple[int, int, int]] = deque()
        self._rx_free_us = 0
        self._tx_free_us = 0
        self._loader: Generator[bytes, int, Ending] | None = None
        self.mode = Mode.DEAD
        self._wake_us: int | None = None
        self.reset()

    @property
    def baud(self) -> int:
        """The speed at which the running program listens and talks."""
        return PLAYER_BAUD if self.mode is Mode.PLAYER else self.chip.baud

    def reset(self, cause: int = EXTERNAL) -> None:
        """The reset line, or power: the loader runs after the former, page 0 after anything else."""
        self.resets += 1
        self._arriving.clear()
        self._sent.clear()
        self._rx_free_us = self._tx_free_us = self.now_us
        if cause == EXTERNAL:
            self.mode = Mode.LOADER
            speaks = boot_loader if self.chip.protocol == "stk500v1" else boot_loader_v2
            self._loader = speaks(self.flash, self._kept, self.chip)
            next(self._loader)
            self._wake_us = self.now_us + LOADER_US
        else:
            self._start(cause)

    def hear(self, data: bytes, baud: int) -> None:
        """Bytes put on the line now; they arrive one after the other at the line's speed."""
        if self.faults.silent:
            return
        if self.faults.to_board is not None:
            data = self.faults.to_board(data)
        for byte in data:
            self._rx_free_us = max(self._rx_free_us, self.now_us) + 10_000_000 // baud
            self._arriving.append((self._rx_free_us, byte, baud))

    def take(self, size: int, baud: int) -> bytes:
        """Up to ``size`` bytes that have been sent by now, as a line at ``baud`` hears them."""
        out = bytearray()
        while self._sent and len(out) < size and self._sent[0][0] <= self.now_us:
            _, byte, spoken = self._sent.popleft()
            out.append(byte if self._any_baud or spoken == baud else _garbled(byte))
        return bytes(out)

    def next_us(self) -> int | None:
        """When something happens next, or None."""
        times = [queue[0][0] for queue in (self._arriving, self._sent) if queue and queue[0][0] > self.now_us]
        if self._wake_us is not None:
            times.append(self._wake_us)
        return min(times, default=None)

    def run_until(self, end_us: int) -> None:
        """Let time pass to ``end_us``."""
        while True:
            arrival = self._arriving[0][0] if self._arriving else None
            wake = self._wake_us
            due = min((time for time in (arrival, wake) if time is not None), default=None)
            if due is None or due > end_us:
                break
            self.now_us = max(self.now_us, due)
            if arrival is not None and arrival == due:
                _, byte, baud = self._arriving.popleft()
                self._byte(byte if self._any_baud or baud == self.baud else _garbled(byte))
            else:
                self._wake()
        self.now_us = max(self.now_us, end_us)

    # -- what runs on the chip -------------------------------------------------------------------

    def _byte(self, byte: int) -> None:
        if self.mode is Mode.PLAYER and self._core is not None:
            parts = round(PARTS * (1.0 - (self._frame_us - self.now_us) * self._rate / FRAME_US))
            self._core.clock(*divmod(max(0, min(PARTS - 1, parts)), SLOT))
            self._core.receive(bytes((byte,)))
            self._say(self._core.transmit())
        elif self.mode is Mode.LOADER and self._loader is not None:
            self._wake_us = self.now_us + LOADER_US
            try:
                self._say(self._loader.send(byte))
            except StopIteration as stop:
                ending: Ending = stop.value
                self._say(ending.answer)
                self.mode = Mode.RESETTING
                self._wake_us = self.now_us + WATCHDOG_US

    def _wake(self) -> None:
        if self.mode is Mode.PLAYER and self._core is not None and self._wake_us is not None:
            self._begin_frame(self._core)
            self._core.tick()
            self._say(self._core.transmit())
        else:
            # The loader's watchdog ended its wait, or a bad command end did: page 0 runs now. The
            # loader clears the cause register, so the player learns no more than "unknown".
            self._start(0)

    def _start(self, cause: int) -> None:
        self._arriving.clear()
        self._loader = None
        if self.flash[:2] != TRAP and zlib.crc32(self.flash[: self._image_base]) == self._player_crc32:
            if self._core is None:
                self._core = self._make_player()
            held = bytes(self.flash[self._image_base : self.chip.usable])
            self.mode = Mode.PLAYER
            self._core.boot(held if held.startswith(MAGIC) else None, cause)
            self._frame_us = float(self.now_us)
            self._begin_frame(self._core)
            self._say(self._core.transmit())
        else:
            # The trap, blank flash, or a program that this board cannot run.
            self.mode = Mode.DEAD
            self._wake_us = None

    def _begin_frame(self, core: PlayerCore) -> None:
        """The frame that begins ends when the board's clock, as it is trimmed, says so."""
        self._frame_us += core.frame_parts() * FRAME_US / PARTS / self._rate
        self._wake_us = round(self._frame_us)

    def _say(self, data: bytes) -> None:
        if self.faults.silent:
            return
        if data and self.faults.to_host is not None:
            data = self.faults.to_host(data)
        for byte in data:
            self._tx_free_us = max(self._tx_free_us, self.now_us) + 10_000_000 // self.baud
            self._sent.append((self._tx_free_us, byte, self.baud))

    def _kept(self, address: int, data: bytes) -> bytes:
        return data if self.faults.keep is None else self.faults.keep(address, data)


def _garbled(byte: int) -> int:
    """What a byte looks like at another line speed: wrong, and the same each time."""
    return (byte * 167 + 89) & 0xFF


class VirtualTransport:
    """The virtual board's port, in simulated time: time passes only in :meth:`read`.

    Args:
        board: the board.
        name: what messages call it.
        on_change: called when the port closes or the board was reset (to keep the flash's content).

    """

    def __init__(
        self, board: VirtualBoard, name: str = "virtual", on_change: Callable[[], None] | None = None
    ) -> None:
        self.board = board
        self._name = name
        self._baud = PLAYER_BAUD
        self._on_change = on_change
        self._written = 0
        self._closed = False

    @property
    def name(self) -> str:
        """``virtual``."""
        return self._name

    def write(self, data: bytes) -> None:
        """Put bytes on the line."""
        self._plugged()
        limit = self.board.faults.unplug_after
        self._written += len(data)
        if limit is not None and self._written > limit:
            over = self._written - limit
            self.board.hear(data[: max(0, len(data) - over)], self._baud)
            self.board.run_until(self.board.now_us + 1_000_000)
            raise self._gone()
        self.board.hear(data, self._baud)

    def read(self, size: int, timeout_s: float) -> bytes:
        """Bytes from the board; time passes until there are ``size`` or ``timeout_s`` is over."""
        self._plugged()
        board = self.board
        end = board.now_us + math.ceil(timeout_s * 1e6)
        got = bytearray(board.take(size, self._baud))
        while len(got) < size and board.now_us < end:
            due = board.next_us()
            board.run_until(end if due is None else min(end, max(due, board.now_us)))
            got += board.take(size - len(got), self._baud)
        return bytes(got)

    def reset(self) -> None:
        """Pulse the reset line."""
        self._plugged()
        self.board.reset()
        if self._on_change is not None:
            self._on_change()

    def set_baud(self, baud: int) -> None:
        """Change the line's speed."""
        self._baud = baud

    def close(self) -> None:
        """Keep the flash's content, if asked to; the board's time stands still."""
        if not self._closed and self._on_change is not None:
            self._on_change()
        self._closed = True

    def now_s(self) -> float:
        """Simulated seconds."""
        return self.board.now_us / 1e6

    def _plugged(self) -> None:
        limit = self.board.faults.unplug_after
        if self._closed or (limit is not None and self._written > limit):
            raise self._gone()

    def _gone(self) -> LinkError:
        return went_away(self._name, OSError("unplugged"))
