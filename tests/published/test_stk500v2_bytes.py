"""The Mega loader's protocol against Atmel's application note AVR068 (message layout from memory of it).

Framing, command numbers and the order of fields are also those of the loader's own ``command.h``, which
Debian's arduino-core-avr carries: the numbers are read from there.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.board import stk500v2 as v2
from sequencer.board.chips import MEGA
from sequencer.errors import LoaderError
from tests.published.test_stk500_bytes import Wire

COMMAND_H = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders/stk500v2/command.h")


def test_the_numbers_are_those_of_the_loaders_header() -> None:
    text = COMMAND_H.read_text()
    numbers = dict(re.findall(r"#define\s+(\w+)\s+(0x[0-9A-Fa-f]+)", text))
    ours = {
        "MESSAGE_START": v2.START,
        "TOKEN": v2.TOKEN,
        "CMD_SIGN_ON": v2.SIGN_ON,
        "CMD_LOAD_ADDRESS": v2.LOAD_ADDRESS,
        "CMD_ENTER_PROGMODE_ISP": v2.ENTER,
        "CMD_LEAVE_PROGMODE_ISP": v2.LEAVE,
        "CMD_PROGRAM_FLASH_ISP": v2.PROGRAM_FLASH,
        "CMD_READ_FLASH_ISP": v2.READ_FLASH,
        "CMD_READ_SIGNATURE_ISP": v2.READ_SIGNATURE,
        "STATUS_CMD_OK": v2.STATUS_OK,
    }
    for name, number in ours.items():
        # The header gives start and token as the letters they are.
        told = numbers.get(name) or re.search(rf"#define\s+{name}\s+(\S+)", text)[1]  # type: ignore[index]
        assert (int(told, 16) if told.startswith("0x") else int(told)) == number, name


def test_sign_on_is_1b_00_00_01_0e_01_and_the_xor() -> None:
    wire = Wire("1B 00 00 0B 0E 01 00 08 41 56 52 49 53 50 5F 32 75")
    v2.Loader(wire).sync()
    assert wire.sent == [bytes.fromhex("1B 00 00 01 0E 01 15")]
    assert (wire.resets, wire.baud) == (1, 115200)


def test_byte_address_1ff00_goes_as_words_high_byte_first_and_extended() -> None:
    wire = Wire(v2.framed(1, b"\x06\0").hex(), v2.framed(2, b"\x14\0" + bytes(256) + b"\0").hex())
    assert v2.Loader(wire).read_page(0x1FF) == bytes(256)
    assert wire.sent[0][5:-1] == bytes.fromhex("06 80 00 FF 80")
    assert wire.sent[1][5:-1] == bytes.fromhex("14 01 00 20")


def test_program_flash_is_13_size_mode_and_data_from_the_eleventh_byte() -> None:
    wire = Wire(v2.framed(1, b"\x06\0").hex(), v2.framed(2, b"\x13\0").hex())
    data = bytes(range(256))
    v2.Loader(wire).write_page(0, data)
    body = wire.sent[1][5:-1]
    assert body[:3] == bytes.fromhex("13 01 00")
    assert body[10:] == data
    assert wire.sent[1][2:4] == bytes.fromhex("01 0A")


def test_the_signature_comes_byte_by_byte_between_two_statuses() -> None:
    wire = Wire(*(v2.framed(n + 1, bytes((0x1B, 0, byte, 0))).hex() for n, byte in enumerate(MEGA.signature)))
    assert v2.Loader(wire).signature() == bytes.fromhex("1E 98 01")
    assert [sent[9] for sent in wire.sent] == [0, 1, 2]


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("", "stopped answering"),
        (v2.framed(1, b"\x06\xc0").hex(), "status C0"),
        (v2.framed(2, b"\x06\0").hex(), "out of step"),
        (v2.framed(1, b"\x06\0").hex()[:-2] + "00", "out of step"),
        (v2.framed(1, b"\x13\0").hex(), "out of step"),
    ],
)
def test_an_answer_that_is_no_answer_is_told(answer: str, words: str) -> None:
    with pytest.raises(LoaderError, match=words):
        v2.Loader(Wire(*([answer] if answer else []))).read_page(0)
