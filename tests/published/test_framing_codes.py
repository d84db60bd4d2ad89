"""COBS and CRC-16 against their publications."""

from __future__ import annotations

import zlib

import pytest

from sequencer.board.frames import cobs_decode, cobs_encode, crc16


def test_crc_of_the_catalogues_check_string() -> None:
    # CRC catalogue: CRC-16/CCITT-FALSE check 29B1, CRC-32/ISO-HDLC check CBF43926.
    assert crc16(b"123456789") == 0x29B1
    assert zlib.crc32(b"123456789") == 0xCBF43926
    # XMODEM is the same polynomial started at 0: check 31C3.
    assert crc16(b"123456789", 0) == 0x31C3


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        # Cheshire & Baker 1999, figure 3.
        ("45 00 00 2C 4C 79 00 00 40 06 4F 37", "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"),
        ("00", "01 01"),
    ],
)
def test_cobs_of_the_paper(plain: str, stuffed: str) -> None:
    assert cobs_encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert cobs_decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)
