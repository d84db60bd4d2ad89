"""The virtual board's boot loader: STK500v1 as the common 512-byte loader of the Uno speaks it.

Written from the protocol's description (AVR061) and the behaviour in the field: a bad command end is
not answered but resets the chip; the memory type is not looked at; the length's high byte neither.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass

from sequencer.board import stk500 as stk
from sequencer.board.chips import UNO, Chip

GET_PARAMETER, UNIVERSAL, SET_DEVICE_EXTENDED = 0x41, 0x56, 0x45
MAJOR, MINOR = 4, 4


@dataclass(frozen=True)
class Ending:
    """How the loader ended: the last bytes that it still sends before the watchdog resets the chip."""

    answer: bytes


def boot_loader(
    flash: bytearray, kept: Callable[[int, bytes], bytes], chip: Chip = UNO
) -> Generator[bytes, int, Ending]:
    """A coroutine: send it a byte, get the bytes it answers; it returns when the chip will reset.

    Args:
        flash: the chip's flash, changed in place; the loader's own range is never written.
        kept: what a page write leaves behind, given byte address and data (faults, in tests).
        chip: signature and sizes.

    """
    address = 0
    answer = b""
    while True:
        command = yield answer
        data = b""
        if command == GET_PARAMETER:
            which = yield b""
            data = {0x81: bytes((MAJOR,)), 0x82: bytes((MINOR,))}.get(which, b"\x03")
        elif command in (stk.SET_DEVICE, SET_DEVICE_EXTENDED, UNIVERSAL):
            for _ in range({stk.SET_DEVICE: 20, SET_DEVICE_EXTENDED: 5, UNIVERSAL: 4}[command]):
                yield b""
            data = b"\0" if command == UNIVERSAL else b""
        elif command == stk.LOAD_ADDRESS:
            low = yield b""
            high = yield b""
            address = 2 * (low | high << 8) % chip.flash
        elif command == stk.PROGRAM_PAGE:
            yield b""
            length = yield b""
            yield b""
            page = bytearray()
            while len(page) < length:
                page.append((yield b""))
            if (yield b"") != stk.EOP:
                return Ending(b"")
            program_page(flash, address, bytes(page), kept, chip, blank=True)
            answer = bytes((stk.INSYNC, stk.OK))
            continue
        elif command == stk.READ_PAGE:
            yield b""
            length = yield b""
            yield b""
            data = bytes(flash[address : address + length]).ljust(length, b"\xff")
        elif command == stk.READ_SIGNATURE:
            data = chip.signature
        if (yield b"") != stk.EOP:
            return Ending(b"")
        answer = bytes((stk.INSYNC,)) + data + bytes((stk.OK,))
        if command == stk.LEAVE:
            return Ending(answer)


def program_page(
    flash: bytearray,
    address: int,
    data: bytes,
    kept: Callable[[int, bytes], bytes],
    chip: Chip,
    *,
    blank: bool,
) -> None:
    """Write within one page, as flash can: bits are only cleared. ``blank``: the page is erased before."""
    start = address - address % chip.page
    if start >= chip.usable:
        return
    page = bytearray(b"\xff" * chip.page if blank else flash[start : start + chip.page])
    for at, byte in enumerate(data[: chip.page - (address - start)], address - start):
        page[at] &= byte
    flash[start : start + chip.page] = kept(start, bytes(page))
