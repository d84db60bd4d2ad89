"""The boot loader's protocol: STK500 version 1 (Atmel application note AVR061).

Every command ends with EOP; the loader answers INSYNC, data, OK. Addresses are in words, low byte
first. Each try to get in step starts from a fresh reset pulse, because a loader that saw a bad EOP
resets itself into the player.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.board.transport import Transport
from sequencer.errors import Fault, LoaderError

OK, INSYNC, NOSYNC, EOP = 0x10, 0x14, 0x15, 0x20
GET_SYNC, SET_DEVICE, ENTER, LEAVE = 0x30, 0x42, 0x50, 0x51
LOAD_ADDRESS, PROGRAM_PAGE, READ_PAGE, READ_SIGNATURE = 0x55, 0x64, 0x74, 0x75
FLASH_MEMORY = 0x46

#: Chips by signature, for the message when the wrong one answers.
CHIPS = {
    b"\x1e\x95\x0f": "ATmega328P (Uno, Nano)",
    b"\x1e\x95\x14": "ATmega328",
    b"\x1e\x95\x16": "ATmega328PB",
    b"\x1e\x94\x06": "ATmega168",
    b"\x1e\x94\x0b": "ATmega168P",
    b"\x1e\x95\x87": "ATmega32U4 (Leonardo, Micro)",
    b"\x1e\x98\x01": "ATmega2560 (Mega 2560)",
    b"\x1e\x97\x03": "ATmega1280 (Mega)",
}

#: What to look at when no loader answers; shown once, instead of "not in sync" ten times.
CHECKLIST = (
    "check, in this order: the board's power light; a data cable (many are charge-only); the right port "
    "(`quarterjack ports`); nothing wired to pins 0 and 1; no other program on the port; "
    "the board is an Uno with its loader"
)


@dataclass(frozen=True)
class Chip:
    """What the uploader must know of a chip. ``usable`` is where the loader begins (bytes)."""

    name: str
    signature: bytes
    page: int
    usable: int
    flash: int
    eeprom: int
    device_code: int
    baud: int


UNO = Chip(
    "ATmega328P",
    b"\x1e\x95\x0f",
    page=128,
    usable=0x7E00,
    flash=0x8000,
    eeprom=1024,
    device_code=0x86,
    baud=115200,
)

#: Seconds from reset pulse to the first byte, try by try: boards and adapters differ.
SETTLE_S = (0.1, 0.1, 0.25, 0.05, 0.4)
#: How long a loader that is there may take to answer the sync.
SYNC_S = 0.25


class Loader:
    """A conversation with the boot loader.

    Args:
        transport: an open port.
        chip: what is expected there.
        answer_s: how long an answer may take, a busy computer's pauses included.

    """

    def __init__(self, transport: Transport, chip: Chip = UNO, *, answer_s: float = 2.0) -> None:
        self._port = transport
        self._chip = chip
        self._answer_s = answer_s

    def sync(self, settle_s: Sequence[float] = SETTLE_S) -> None:
        """Get in step, with a fresh reset for each try.

        Raises:
            LoaderError: nothing answers; with the list of what to check.

        """
        self._port.set_baud(self._chip.baud)
        heard = b""
        for pause in settle_s:
            self._port.reset()
            # The port's own waiting, so that a simulated board's time passes too. What arrives now is
            # the player's farewell or line noise.
            self._port.read(4096, pause)
            self._port.write(bytes((GET_SYNC, EOP)))
            answer = self._port.read(2, SYNC_S)
            if answer == bytes((INSYNC, OK)):
                return
            heard = answer or heard
        raise LoaderError(
            Fault(
                f"the board on {self._port.name} isn't answering: its boot loader said nothing"
                if not heard
                else f"something on {self._port.name} answers, but not as an Uno's boot loader does",
                quantity="tries, each with a fresh reset",
                value=f"{len(settle_s)}" + (f"; last heard {heard.hex(' ')}" if heard else ""),
                remedy=CHECKLIST,
            )
        )

    def check_signature(self) -> None:
        """Compare the chip's signature.

        Raises:
            LoaderError: another chip; both are named.

        """
        found = self.command(bytes((READ_SIGNATURE,)), 3)
        if found != self._chip.signature:
            known = CHIPS.get(found, "a chip this version doesn't know")
            raise LoaderError(
                Fault(
                    f"the board on {self._port.name} has another chip: {known}",
                    quantity="signature",
                    value=found.hex(" ").upper(),
                    limit=f"{self._chip.signature.hex(' ').upper()} ({self._chip.name})",
                    remedy="choose the port of the Uno, or name this board's kind in figure.toml",
                )
            )

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
        got = self._port.read(answer + 2, self._answer_s + answer * 10 / self._chip.baud)
        if len(got) == answer + 2 and got[0] == INSYNC and got[-1] == OK:
            return got[1:-1]
        if not got:
            raise LoaderError(
                f"the boot loader on {self._port.name} stopped answering (command {body[0]:02X})"
            )
        raise LoaderError(
            Fault(
                f"the boot loader on {self._port.name} is out of step at command {body[0]:02X}",
                value=f"{got[:8].hex(' ')}{' ...' if len(got) > 8 else ''} ({len(got)} bytes)",
                limit=f"14 ... 10 ({answer + 2} bytes)",
                remedy="a loose cable or something wired to pins 0 and 1; try again",
            )
        )

    def _load_address(self, page: int) -> None:
        words = page * self._chip.page // 2
        self.command(bytes((LOAD_ADDRESS,)) + words.to_bytes(2, "little"))
