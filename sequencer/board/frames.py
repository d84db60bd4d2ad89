"""Frames on the link: COBS around seq, type, body and CRC-16, ended by a zero byte.

COBS: Cheshire & Baker, "Consistent Overhead Byte Stuffing", 1999. CRC: CCITT-FALSE (polynomial 1021,
start FFFF, not reflected).
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass

#: A frame longer than this cannot be one of ours: noise, or another baud rate.
LONGEST = 254


def crc16(data: bytes, start: int = 0xFFFF) -> int:
    """CRC-16/CCITT-FALSE of ``data``; of ``b"123456789"`` it is 0x29B1."""
    return binascii.crc_hqx(data, start)


def cobs_encode(data: bytes) -> bytes:
    """``data`` without zero bytes, one byte longer for every started 254; no delimiter at the end."""
    out = bytearray()
    block = bytearray()
    open_block = True
    for byte in data:
        open_block = True
        if byte == 0:
            out.append(len(block) + 1)
            out += block
            block.clear()
            continue
        block.append(byte)
        if len(block) == 254:
            out.append(255)
            out += block
            block.clear()
            open_block = False
    if open_block:
        out.append(len(block) + 1)
        out += block
    return bytes(out)


def cobs_decode(data: bytes) -> bytes:
    """What :func:`cobs_encode` was given.

    Raises:
        ValueError: a zero inside, or a count that points beyond the end.

    """
    out = bytearray()
    at = 0
    while at < len(data):
        count = data[at]
        if count == 0 or at + count > len(data):
            raise ValueError(f"bad COBS count at byte {at}")
        block = data[at + 1 : at + count]
        if 0 in block:
            raise ValueError("zero byte inside a COBS block")
        out += block
        at += count
        if count < 255 and at < len(data):
            out.append(0)
    return bytes(out)


@dataclass(frozen=True)
class Frame:
    """One intact frame: its number, its message type and the body's bytes."""

    seq: int
    code: int
    body: bytes

    def encode(self) -> bytes:
        """The bytes on the line, delimiter included."""
        plain = bytes((self.seq, self.code)) + self.body
        return cobs_encode(plain + crc16(plain).to_bytes(2, "little")) + b"\0"


class FrameDecoder:
    """Takes the line's bytes as they come, gives the intact frames; ``damaged`` counts the others."""

    def __init__(self) -> None:
        self._held = bytearray()
        self._skipping = False
        self.damaged = 0

    def feed(self, data: bytes) -> list[Frame]:
        """Frames completed by ``data``. Garbage never raises: it is counted and skipped up to a zero."""
        frames: list[Frame] = []
        for byte in data:
            if byte != 0:
                if len(self._held) < LONGEST:
                    self._held.append(byte)
                else:
                    self._skipping = True
                continue
            frame = None if self._skipping else parse(bytes(self._held))
            if frame is not None:
                frames.append(frame)
            elif self._held:
                self.damaged += 1
            self._held.clear()
            self._skipping = False
        return frames


def parse(stuffed: bytes) -> Frame | None:
    """The frame between two zero bytes, or None when it is damaged or empty."""
    try:
        plain = cobs_decode(stuffed)
    except ValueError:
        return None
    if len(plain) < 4 or crc16(plain[:-2]) != int.from_bytes(plain[-2:], "little"):
        return None
    return Frame(plain[0], plain[1], plain[2:-2])
