"""The Mega's boot loader: STK500 version 2 (Atmel application note AVR068).

Every message is framed: start, sequence number, length (high byte first), token, body, and the XOR of all
that. The answer has the same number and begins with the command and a status.

The Mega's loader does not erase the page that is written. Each write erases the page after the last one
erased, from page 0 on, whatever its own address; a reset sets that back. So pages are written in
order from page 0, and to come back to page 0 the loader is entered anew.
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.board.chips import MEGA, Chip
from sequencer.board.loader import SETTLE_S, SYNC_S, out_of_step, silent, stopped_answering
from sequencer.board.transport import Transport
from sequencer.errors import LoaderError

START, TOKEN, STATUS_OK = 0x1B, 0x0E, 0x00
SIGN_ON, LOAD_ADDRESS, ENTER, LEAVE = 0x01, 0x06, 0x10, 0x11
PROGRAM_FLASH, READ_FLASH, READ_SIGNATURE = 0x13, 0x14, 0x1B
#: Set in an address when it may lie beyond 64 K words.
EXTENDED = 1 << 31
#: What the note has for the programmer of a bare chip; a boot loader looks at none of it. Timeouts in ms,
#: repeats, and the instructions to enter and leave programming mode.
_ENTER_BODY = bytes((200, 100, 25, 32, 0, 0x53, 3, 0xAC, 0x53, 0x00, 0x00))
_LEAVE_BODY = bytes((1, 1))
_WRITE_BODY = bytes((0xC1, 10, 0x40, 0x4C, 0x20, 0x00, 0x00))
_READ_INSTRUCTION = 0x20
_SIGNATURE_INSTRUCTION = 0x30


def framed(sequence: int, body: bytes) -> bytes:
    """A message as it goes over the line."""
    message = bytes((START, sequence)) + len(body).to_bytes(2, "big") + bytes((TOKEN,)) + body
    check = 0
    for byte in message:
        check ^= byte
    return message + bytes((check,))


def body_of(message: bytes, sequence: int) -> bytes | None:
    """The body of a complete and right message with this number, or None."""
    if len(message) < 6 or message != framed(sequence, message[5:-1]):
        return None
    return message[5:-1]


class Loader:
    """A conversation with the boot loader (see :class:`~sequencer.board.loader.BootLoader`).

    Args:
        transport: an open port.
        chip: what is expected there.
        answer_s: how long an answer may take, a busy computer's pauses included.

    """

    erases_in_order = True

    def __init__(self, transport: Transport, chip: Chip = MEGA, *, answer_s: float = 2.0) -> None:
        self._port = transport
        self._chip = chip
        self._answer_s = answer_s
        self._sequence = 0
        self._erased = 0
        self.baud = chip.baud

    def sync(self, settle_s: Sequence[float] = SETTLE_S) -> None:
        """Get in step, with a fresh reset for each try.

        Raises:
            SilentLoaderError: nothing answers; with the list of what to check.

        """
        self._port.set_baud(self.baud)
        heard = b""
        for pause in settle_s:
            self._port.reset()
            self._port.read(4096, pause)
            self._sequence = 0
            self._erased = 0
            self._port.write(framed(0, bytes((SIGN_ON,))))
            # 01 00 08 and eight letters, which differ between programmers.
            answer = self._port.read(17, SYNC_S)
            body = body_of(answer, 0)
            if body is not None and body[:2] == bytes((SIGN_ON, STATUS_OK)):
                return
            heard = answer or heard
        raise silent(self._port, self._chip, len(settle_s), heard)

    def signature(self) -> bytes:
        """The chip's three bytes, asked one by one."""
        found = bytearray()
        for index in range(3):
            body = bytes((READ_SIGNATURE, 4, _SIGNATURE_INSTRUCTION, 0, index, 0))
            found += self.command(body, 2)[:1]
        return bytes(found)

    def begin(self) -> None:
        """Enter programming mode."""
        self.command(bytes((ENTER,)) + _ENTER_BODY)

    def leave(self) -> None:
        """Leave programming mode: the loader starts what page 0 holds."""
        self.command(bytes((LEAVE,)) + _LEAVE_BODY)

    def read_page(self, page: int) -> bytes:
        """The bytes of one page."""
        self._load_address(page)
        size = self._chip.page
        body = bytes((READ_FLASH,)) + size.to_bytes(2, "big") + bytes((_READ_INSTRUCTION,))
        return self.command(body, size + 1)[:-1]

    def write_page(self, page: int, data: bytes) -> None:
        """Erase and write one page: the one after the last one, or page 0 again.

        Raises:
            LoaderError: the loader does not answer, or says that it failed.

        """
        assert len(data) == self._chip.page, "a page is written whole"
        if page == 0 and self._erased:
            self.sync()
            self.begin()
        assert page == self._erased, "this loader erases pages in their order"
        self._load_address(page)
        self.command(bytes((PROGRAM_FLASH,)) + len(data).to_bytes(2, "big") + _WRITE_BODY + data)
        self._erased += 1

    def command(self, body: bytes, answer: int = 0) -> bytes:
        """Send a command; the ``answer`` bytes behind command and status.

        Raises:
            LoaderError: no answer, one that is out of step, or a status that says it failed.

        """
        self._sequence = (self._sequence + 1) & 0xFF
        self._port.write(framed(self._sequence, body))
        size = answer + 8
        got = self._port.read(size, self._answer_s + size * 10 / self.baud)
        if not got:
            raise stopped_answering(self._port.name, body[0])
        said = body_of(got, self._sequence)
        if said is not None and said[0] == body[0] and said[1] == STATUS_OK and len(said) == answer + 2:
            return said[2:]
        if said is not None and said[0] == body[0] and said[1] != STATUS_OK:
            raise LoaderError(
                f"the boot loader on {self._port.name} says that command {body[0]:02X} failed "
                f"(status {said[1]:02X})"
            )
        raise out_of_step(self._port.name, body[0], got, f"1b {self._sequence:02x} ... ({size} bytes)")

    def _load_address(self, page: int) -> None:
        words = page * self._chip.page // 2
        self.command(bytes((LOAD_ADDRESS,)) + (words | EXTENDED).to_bytes(4, "big"))
