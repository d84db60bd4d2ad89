"""Intel HEX, read and written (Intel, *Hexadecimal Object File Format Specification*, 1988).

A line is ``:`` length, address, type, data, checksum, all as hexadecimal bytes that sum to 0 modulo
256. Types: 0 data, 1 end, 2 segment (times 16), 4 upper 16 address bits; 3 and 5 tell where to start
and mean nothing to a flash.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from sequencer.errors import Fault, ImageError

_DATA, _END, _SEGMENT, _START_SEGMENT, _LINEAR, _START_LINEAR = range(6)
_ARGUMENTS = {_END: 0, _SEGMENT: 2, _START_SEGMENT: 4, _LINEAR: 2, _START_LINEAR: 4}
_PER_LINE = 16


@dataclass(frozen=True)
class Segment:
    """Bytes that lie together, from ``address`` on."""

    address: int
    data: bytes

    @property
    def end(self) -> int:
        """The first address behind it."""
        return self.address + len(self.data)


def read_hex_file(file: Path) -> tuple[Segment, ...]:
    """:func:`read_hex` on a file.

    Raises:
        ImageError: the file cannot be read, or is damaged.
    """
    try:
        text = file.read_text(encoding="ascii")
    except UnicodeDecodeError as error:
        raise ImageError(
            Fault("this is not a hex file: it holds other bytes than text", str(file))
        ) from error
    except OSError as error:
        raise ImageError(Fault(f"the hex file cannot be read: {error.strerror}", str(file))) from error
    return read_hex(text, str(file))


def read_hex(text: str, file: str | None = None) -> tuple[Segment, ...]:
    """The segments of a hex file in address order, neighbours joined.

    Raises:
        ImageError: with the line: a wrong checksum, a short or overlong line, an unknown record, bytes
            given twice, anything after the end record, or no end record at all.
    """
    reader = _Reader(file)
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip():
            reader.line(number, line.strip())
    return reader.segments()


class _Reader:
    def __init__(self, file: str | None) -> None:
        self.file = file
        self.base = 0
        self.ended = False
        self.number = 0
        self.text = ""
        self.parts: list[tuple[int, bytes, int]] = []

    def refuse(self, message: str, value: str | None = None, limit: str | None = None) -> NoReturn:
        raise ImageError(
            Fault(
                f"the hex file is damaged: {message}",
                file=self.file,
                line=self.number or None,
                text=self.text[:80] or None,
                value=value,
                limit=limit,
                remedy="compile the show again, or fetch the file again",
            )
        )

    def line(self, number: int, text: str) -> None:
        self.number, self.text = number, text
        if self.ended:
            self.refuse("something stands behind the end record")
        if not text.startswith(":"):
            self.refuse("the line does not begin with a colon")
        digits = text[1:]
        if len(digits) % 2 or not digits.isascii() or not all(c in "0123456789abcdefABCDEF" for c in digits):
            self.refuse("the line is not made of whole hexadecimal bytes")
        record = bytes.fromhex(digits)
        if len(record) < 5 or len(record) != record[0] + 5:
            stated = record[0] + 5 if record else 5
            self.refuse(
                "the line is shorter or longer than it states", f"{len(record)} bytes", f"{stated} bytes"
            )
        if sum(record) & 255:
            right = -sum(record[:-1]) & 255
            self.refuse("the line's checksum is wrong", f"{record[-1]:02X}", f"{right:02X}")
        self.record(record[3], record[1] << 8 | record[2], record[4:-1])

    def record(self, kind: int, address: int, data: bytes) -> None:
        if kind == _DATA:
            if data:
                self.parts.append((self.base + address, data, self.number))
            return
        if kind not in _ARGUMENTS:
            self.refuse("a record of an unknown type", f"{kind:02X}", "00 to 05")
        if len(data) != _ARGUMENTS[kind]:
            self.refuse("a record of a wrong length for its type", str(len(data)), str(_ARGUMENTS[kind]))
        value = int.from_bytes(data, "big")
        if kind == _END:
            self.ended = True
        elif kind == _SEGMENT:
            self.base = value << 4
        elif kind == _LINEAR:
            self.base = value << 16

    def segments(self) -> tuple[Segment, ...]:
        self.text = ""
        if not self.ended:
            self.refuse("it ends without its end record; part of it is missing")
        joined: list[tuple[int, bytearray]] = []
        for address, data, number in sorted(self.parts, key=lambda part: (part[0], part[2])):
            if joined and address < joined[-1][0] + len(joined[-1][1]):
                self.number = number
                self.refuse(f"the bytes at {address:#x} are given twice")
            if joined and address == joined[-1][0] + len(joined[-1][1]):
                joined[-1][1].extend(data)
            else:
                joined.append((address, bytearray(data)))
        return tuple(Segment(address, bytes(data)) for address, data in joined)


def write_hex(segments: Iterable[Segment]) -> str:
    """Hex text of the segments, 16 bytes a line, with type 4 records above 64 KiB."""
    lines = []
    upper = 0
    for segment in sorted(segments, key=lambda item: item.address):
        at = segment.address
        while at < segment.end:
            if at >> 16 != upper:
                upper = at >> 16
                lines.append(_line(_LINEAR, 0, upper.to_bytes(2, "big")))
            stop = min(segment.end, at - at % _PER_LINE + _PER_LINE)
            lines.append(
                _line(_DATA, at & 0xFFFF, segment.data[at - segment.address : stop - segment.address])
            )
            at = stop
    lines.append(_line(_END, 0, b""))
    return "\n".join(lines) + "\n"


def _line(kind: int, address: int, data: bytes) -> str:
    record = bytes([len(data), address >> 8, address & 255, kind]) + data
    return f":{(record + bytes([-sum(record) & 255])).hex().upper()}"


def flat(segments: Sequence[Segment], size: int, file: str | None = None) -> bytes:
    """``size`` bytes from address 0 with the segments in them, 0xFF elsewhere.

    Raises:
        ImageError: a segment reaches beyond ``size``.
    """
    out = bytearray(b"\xff" * size)
    for segment in segments:
        if segment.end > size:
            raise ImageError(
                Fault(
                    "the hex file is for a bigger chip",
                    file=file,
                    quantity="address",
                    value=f"{segment.end - 1:#x}",
                    limit=f"{size - 1:#x}",
                    remedy="choose the right board in figure.toml",
                )
            )
        out[segment.address : segment.end] = segment.data
    return bytes(out)
