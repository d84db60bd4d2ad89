"""The board's memory that needs no power: run counters that it keeps itself, and a copy of the calibration.

The truth about a figure lives in its show folder; the copy only tells whether a board was calibrated for
other values. Bytes 0..31 are the board's two slots of counters (``qj_keep.h``), the rest is the host's two
slots of the copy. A slot, little endian: its number u16, its length u16 (all of it), the figure's name in 16
bytes of UTF-8 padded with zeros; for each servo its pin u8, centre, low and high end u16 in microseconds
(ends 0: not recorded); CRC-32. The older slot is written over, its CRC last: a power cut at any byte leaves
the newer one whole.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from sequencer.board.link import Link
from sequencer.errors import LinkError
from sequencer.figure.model import Figure

#: Where the host's part begins, and the memory's size: the smallest of our boards', an ATmega328P.
HOSTS, SIZE = 32, 1024
SLOT = (SIZE - HOSTS) // 2
COUNTERS_SLOT = 16
_HEAD = struct.Struct("<HH16s")
_SERVO = struct.Struct("<BHHH")
_COUNTERS = 10


@dataclass(frozen=True)
class Counters:
    """What the board has counted since it was new, up to its last still moment."""

    boots: int
    plays: int
    hours: float


@dataclass(frozen=True)
class Copy:
    """A calibration as a board keeps it: pin -> (centre, low, high) in us, ends 0 = not recorded."""

    figure: str
    servos: dict[int, tuple[int, int, int]]


def copy_of(figure: Figure) -> Copy:
    """What a board would keep of a figure."""
    return Copy(
        _short(figure.name),
        {
            servo.pin: (round(servo.centre_us), *(round(end) for end in servo.ends_us or (0, 0)))  # type: ignore[misc]
            for servo in figure.servos.values()
        },
    )


def counters_of(memory: bytes) -> Counters | None:
    """The newest whole record among the first 32 bytes; None: there is none."""
    from sequencer.board.frames import crc16

    found: tuple[int, Counters] | None = None
    for at in (0, COUNTERS_SLOT):
        record = memory[at : at + _COUNTERS]
        if len(record) < _COUNTERS or crc16(record[:-2]) != int.from_bytes(record[-2:], "big"):
            continue
        boots, plays, quarters = (
            int.from_bytes(record[first:last], "little") for first, last in ((1, 3), (3, 6), (6, 8))
        )
        if found is None or 0 < (record[0] - found[0]) & 0xFF < 0x80:
            found = record[0], Counters(boots, plays, quarters / 4.0)
    return None if found is None else found[1]


def encode(copy: Copy, number: int) -> bytes:
    """A slot's bytes.

    Raises:
        ValueError: more servos than a slot holds.

    """
    name = copy.figure.encode("utf-8").ljust(16, b"\0")
    body = b"".join(_SERVO.pack(pin, *values) for pin, values in copy.servos.items())
    length = _HEAD.size + len(body) + 4
    if length > SLOT:
        raise ValueError(f"{len(copy.servos)} servos; a slot of {SLOT} bytes holds fewer")
    content = _HEAD.pack(number & 0xFFFF, length, name) + body
    return content + zlib.crc32(content).to_bytes(4, "little")


def decode(slot: bytes) -> tuple[int, Copy] | None:
    """A slot's number and copy, None when it is not whole."""
    if len(slot) < _HEAD.size:
        return None
    number, length, name = _HEAD.unpack_from(slot)
    if not _HEAD.size + 4 <= length <= len(slot) or (length - _HEAD.size - 4) % _SERVO.size:
        return None
    if zlib.crc32(slot[: length - 4]) != int.from_bytes(slot[length - 4 : length], "little"):
        return None
    servos = {
        pin: (centre, low, high)
        for pin, centre, low, high in _SERVO.iter_unpack(slot[_HEAD.size : length - 4])
    }
    return number, Copy(name.rstrip(b"\0").decode("utf-8", errors="replace"), servos)


def read_counters(link: Link) -> Counters | None:
    """The board's counters, None where it has none yet.

    Raises:
        LinkError: the line is in trouble.

    """
    return counters_of(link.memory(0) + link.memory(16))


def read_copy(link: Link) -> Copy | None:
    """The newest copy on the board, None where there is none.

    Raises:
        LinkError: the line is in trouble.

    """
    newest = _newest(_slots(link))
    return None if newest is None else newest[2]


def write_copy(link: Link, copy: Copy) -> bool:
    """Keep a copy on a board that is in hold or laid down; False when it has that very copy already.

    Raises:
        LinkError: the line is in trouble, or the board moves.

    """
    newest = _newest(_slots(link))
    if newest is not None and newest[2] == copy:
        return False
    at, number = (HOSTS, 1) if newest is None else (2 * HOSTS + SLOT - newest[0], newest[1] + 1)
    for offset, value in enumerate(encode(copy, number)):
        link.keep(at + offset, value)
    check = read_copy(link)
    if check != copy:
        raise LinkError("the board did not keep the copy of the calibration: its EEPROM may be worn out")
    return True


def differences(copy: Copy, figure: Figure) -> list[str]:
    """In what a board's copy differs from the figure, servo by servo, in words."""
    from sequencer.figure.pins import pin_name

    said = []
    file = copy_of(figure)
    names = {servo.pin: servo.name for servo in figure.servos.values()}
    for pin in sorted(copy.servos.keys() | file.servos.keys()):
        there, here = copy.servos.get(pin), file.servos.get(pin)
        if there != here:
            where = pin_name(pin, figure.board.kind)
            who = f"`{names[pin]}` on {where}" if pin in names else where
            said.append(f"{who}: board {_words(there)}, file {_words(here)}")
    return said


def _words(values: tuple[int, int, int] | None) -> str:
    if values is None:
        return "nothing"
    centre, low, high = values
    return f"centre {centre}" + (f", ends {low}..{high}" if high else ", no ends")


def _short(name: str) -> str:
    """As much of a name as 16 bytes of UTF-8 hold, as the hello tells it."""
    return name.encode("utf-8")[:16].decode("utf-8", errors="ignore")


def _slots(link: Link) -> list[tuple[int, bytes]]:
    """Both slots as (address, bytes), each read only as far as it says it goes."""
    slots = []
    for at in (HOSTS, HOSTS + SLOT):
        held = link.memory(at) + link.memory(at + 16)
        length = min(int.from_bytes(held[2:4], "little"), SLOT)
        while len(held) < length:
            held += link.memory(at + len(held))
        slots.append((at, held))
    return slots


def _newest(slots: list[tuple[int, bytes]]) -> tuple[int, int, Copy] | None:
    newest: tuple[int, int, Copy] | None = None
    for at, held in slots:
        whole = decode(held)
        if whole is not None and (newest is None or _newer(whole[0], newest[1])):
            newest = at, *whole
    return newest


def _newer(number: int, than: int) -> bool:
    return 0 < (number - than) & 0xFFFF < 0x8000
