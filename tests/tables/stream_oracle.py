"""Decoders written plainly from FORMAT.md, to judge the encoders and the player by."""

from __future__ import annotations


class Bits:
    def __init__(self, data: bytes) -> None:
        self.bits = "".join(f"{byte:08b}" for byte in data)
        self.at = 0

    def take(self, count: int) -> int:
        if self.at + count > len(self.bits):
            raise EOFError
        text = self.bits[self.at : self.at + count]
        self.at += count
        return int(text, 2) if count else 0


def decode_track(stream: bytes, count: int, rest: int) -> list[int]:
    """``count`` control points of a track stream, from its head."""
    order, k = stream[0] & 3, stream[0] >> 2 & 15
    mean = 2 << k
    bits = Bits(stream[1:])
    p1 = p2 = p3 = rest
    points = []
    for _ in range(count):
        k = next(k for k in range(16) if 3 << k >= mean)
        q = 0
        while q < 20 and bits.take(1):
            q += 1
        u = (q << k | bits.take(k)) if q < 20 else bits.take(18)
        e = u // 2 if u % 2 == 0 else -(u + 1) // 2
        point = e + {1: p1, 2: 2 * p1 - p2, 3: 3 * p1 - 3 * p2 + p3}[order]
        mean = mean - (mean >> 1) + min(u, 4095)
        assert mean <= 8190
        p1, p2, p3 = point, p1, p2
        points.append(point)
    assert len(bits.bits) - bits.at < 8, "bytes are left over"
    assert "1" not in bits.bits[bits.at :], "the last byte is not filled up with zeros"
    return points


def varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        value |= (data[at] & 127) << shift
        shift += 7
        at += 1
        if not data[at - 1] & 128:
            return value, at


def decode_lamp(stream: bytes) -> list[tuple[object, ...]]:
    """(frame, op, arguments...) of each record."""
    at = frame = 0
    records: list[tuple[object, ...]] = []
    while stream[at]:
        op = stream[at]
        wait, at = varint(stream, at + 1)
        frame += wait
        if op == 1:
            records.append((frame, "set", stream[at]))
            at += 1
        elif op == 2:
            length, after = varint(stream, at + 1)
            records.append((frame, "ramp", stream[at], length))
            at = after
        else:
            assert op == 3
            length, after = varint(stream, at + 4)
            seed = stream[at + 2] | stream[at + 3] << 8
            records.append((frame, "flicker", stream[at], stream[at + 1], seed, length))
            at = after
    assert at == len(stream) - 1
    return records


def decode_switch(stream: bytes) -> list[tuple[int, bool]]:
    """(frame, on) of each event."""
    at = frame = 0
    events = []
    while True:
        value, at = varint(stream, at)
        if not value:
            assert at == len(stream)
            return events
        frame += (value - 1) // 2
        events.append((frame, bool((value - 1) % 2)))
