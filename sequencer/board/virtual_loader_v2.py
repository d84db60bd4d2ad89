"""The virtual Mega's boot loader: STK500v2, with the erasing in order that the Mega's loader has.

Written from the protocol's description (AVR068) and the behaviour in the field: a message that is no
message is not answered; a write erases the page after the last one erased, whatever its own address, and
can only clear bits of the page that it writes.
"""

from __future__ import annotations

from collections.abc import Callable, Generator

from sequencer.board import stk500v2 as stk
from sequencer.board.chips import MEGA, Chip
from sequencer.board.virtual_loader import Ending, program_page

STATUS_FAILED = 0xC0
#: What the loader calls itself, as the programmer whose protocol it speaks.
NAME = b"AVRISP_2"
#: Asked by other programs than ours: answered, and without meaning here.
SET_PARAMETER, GET_PARAMETER, UNIVERSAL = 0x02, 0x03, 0x1D
PARAMETERS = {0x90: 0x0F, 0x91: 0x02, 0x92: 0x0A}
#: A page with what goes before it; longer messages find no room in the loader.
LONGEST = 275
_DATA_AT = 10

#: Gives the bytes to say, gets the next byte heard.
Heard = Generator[bytes, int, tuple[int, bytes]]


def boot_loader_v2(
    flash: bytearray, kept: Callable[[int, bytes], bytes], chip: Chip = MEGA
) -> Generator[bytes, int, Ending]:
    """A coroutine as :func:`~sequencer.board.virtual_loader.boot_loader`: a byte in, its answer out."""
    address = erased = 0
    answer = b""
    while True:
        sequence, body = yield from _message(answer)
        command, size = body[0], int.from_bytes(body[1:3], "big")
        status, data = stk.STATUS_OK, b""
        if command == stk.SIGN_ON:
            data = bytes((len(NAME),)) + NAME
        elif command == stk.LOAD_ADDRESS:
            address = 2 * (int.from_bytes(body[1:5], "big") & ~stk.EXTENDED)
        elif command == stk.PROGRAM_FLASH:
            if erased < chip.usable:
                flash[erased : erased + chip.page] = b"\xff" * chip.page
                erased += chip.page
            program_page(flash, address, body[_DATA_AT : _DATA_AT + size], kept, chip, blank=False)
            address += size
        elif command == stk.READ_FLASH and size <= chip.page:
            data = bytes(flash[address : address + size]).ljust(size, b"\xff") + bytes((stk.STATUS_OK,))
            address += size
        elif command == stk.READ_SIGNATURE:
            data = bytes((chip.signature[body[4] % 3] if len(body) > 4 else 0, stk.STATUS_OK))
        elif command == GET_PARAMETER:
            data = bytes((PARAMETERS.get(body[1] if len(body) > 1 else 0, 0),))
        elif command == UNIVERSAL:
            data = bytes(4) + bytes((stk.STATUS_OK,))
        elif command not in (stk.ENTER, stk.LEAVE, SET_PARAMETER):
            status = STATUS_FAILED
        answer = stk.framed(sequence, bytes((command, status)) + data)
        if command == stk.LEAVE:
            return Ending(answer)


def _message(answer: bytes) -> Heard:
    """Say ``answer``, then wait for a whole message: its number and body."""
    while True:
        byte = yield answer
        answer = b""
        if byte != stk.START:
            continue
        head = bytearray((byte,))
        while len(head) < 5:
            head.append((yield b""))
        size = int.from_bytes(head[2:4], "big")
        if head[4] != stk.TOKEN or not 0 < size <= LONGEST:
            continue
        body = bytearray()
        while len(body) <= size:
            body.append((yield b""))
        if (found := stk.body_of(bytes(head + body), head[1])) is not None:
            return head[1], found
