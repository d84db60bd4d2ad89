"""The boot loader's protocol: STK500 version 1 (Atmel application note AVR061).

Every command ends with EOP; the loader answers INSYNC, data, OK. Addresses are in words, low byte
first. Each try to get in step starts from a fresh reset pulse, because a loader that saw a bad EOP
resets itself into the player.
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.board.chips import UNO, Chip
from sequencer.board.loader import SETTLE_S, SYNC_S, out_of_step, silent, stopped_answering
from sequencer.board.transport import Transport

OK, INSYNC, NOSYNC, EOP = 0x10, 0x14, 0x15, 0x20
GET_SYNC, SET_DEVICE, ENTER, LEAVE = 0x30, 0x42, 0x50, 0x51
LOAD_ADDRESS, PROGRAM_PAGE, READ_PAGE, READ_SIGNATURE = 0x55, 0x64, 0x74, 0x75
FLASH_MEMORY = 0x46


class Loader:
    """A conversation with the boot loader (see :class:`~sequencer.board.loader.BootLoader`).

    Args:
        transport: an open port.
        chip: what is expected there.
        answer_s: how long an answer may take, a busy computer's pauses included.

    """

    erases_in_order = False

    def __init__(self, transport: Transport, chip: Chip = UNO, *, answer_s: float = 2.0) -> None:
        self._port = transport
        self._chip = chip
        self._answer_s = answer_s
        self.baud = chip.baud

    def sync(self, settle_s: Sequence[float] = SETTLE_S) -> None:
        """Get in step, with a fresh reset for each try; each try at every speed that the board may have.

        Raises:
            SilentLoaderError: nothing answers; with the list of what to check.

        """
        heard = b""
        for pause in settle_s:
            for baud in self._chip.bauds:
                self._port.set_baud(baud)
                self._port.reset()
                # The port's own waiting, so that a simulated board's time passes too. What arrives now is
                # the player's farewell or line noise.
                self._port.read(4096, pause)
                self._port.write(bytes((GET_SYNC, EOP)))
                answer = self._port.read(2, SYNC_S)
                if answer == bytes((INSYNC, OK)):
                    self.baud = baud
                    return
                heard = answer or heard
        raise silent(self._port, self._chip, len(settle_s) * len(self._chip.bauds), heard)

    def signature(self) -> bytes:
        """The chip's three bytes."""
        return self.command(bytes((READ_SIGNATURE,)), 3)

    def begin(self) -> None:
        """Tell the sizes and enter programming mode."""
        self.set_device()
        self.enter()

    def set_device(self) -> None:
        """Tell the loader the chip's sizes (AVR061's twenty bytes; small loaders ignore them)."""
        chip = self._chip
        told = (
            bytes((chip.device_code, 0, 0, 1, 1, 1, 1, 3, 0xFF, 0xFF, 0xFF, 0xFF))
            + chip.page.to_bytes(2, "big")
            + chip.eeprom.to_bytes(2, "big")
            + chip.flash.to_bytes(4, "big")
        )
        self.command(bytes((SET_DEVICE,)) + told)

    def enter(self) -> None:
        """Enter programming mode."""
        self.command(bytes((ENTER,)))

    def leave(self) -> None:
        """Leave programming mode: the loader starts what page 0 holds."""
        self.command(bytes((LEAVE,)))

    def read_page(self, page: int) -> bytes:
        """The bytes of one page."""
        self._load_address(page)
        size = self._chip.page
        return self.command(bytes((READ_PAGE,)) + size.to_bytes(2, "big") + bytes((FLASH_MEMORY,)), size)

    def write_page(self, page: int, data: bytes) -> None:
        """Erase and write one page; returns when the loader says it is done."""
        assert len(data) == self._chip.page, "a page is written whole"
        self._load_address(page)
        head = bytes((PROGRAM_PAGE,)) + len(data).to_bytes(2, "big") + bytes((FLASH_MEMORY,))
        self.command(head + data)

    def command(self, body: bytes, answer: int = 0) -> bytes:
        """Send a command and EOP; the ``answer`` bytes between INSYNC and OK.

        Raises:
            LoaderError: no answer, or one that is out of step.

        """
        self._port.write(body + bytes((EOP,)))
        got = self._port.read(answer + 2, self._answer_s + answer * 10 / self.baud)
        if len(got) == answer + 2 and got[0] == INSYNC and got[-1] == OK:
            return got[1:-1]
        if not got:
            raise stopped_answering(self._port.name, body[0])
        raise out_of_step(self._port.name, body[0], got, f"14 ... 10 ({answer + 2} bytes)")

    def _load_address(self, page: int) -> None:
        words = page * self._chip.page // 2
        self.command(bytes((LOAD_ADDRESS,)) + words.to_bytes(2, "little"))
