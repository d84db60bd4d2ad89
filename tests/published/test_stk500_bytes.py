"""The loader protocol's bytes against Atmel's application note AVR061 (read in the note)."""

from __future__ import annotations

from sequencer.board.chips import UNO
from sequencer.board.stk500 import Loader
from sequencer.board.virtual_loader import boot_loader


class Wire:
    """A line that records what is sent and answers from a script."""

    name = "wire"

    def __init__(self, *answers: str) -> None:
        self.sent: list[bytes] = []
        self.answers = [bytes.fromhex(answer) for answer in answers]
        self.resets = 0

    def write(self, data: bytes) -> None:
        self.sent.append(data)

    def read(self, size: int, timeout_s: float) -> bytes:
        if not self.answers or size > 1000:
            return b""
        answer = self.answers.pop(0)
        assert len(answer) <= size
        return answer

    def reset(self) -> None:
        self.resets += 1

    def set_baud(self, baud: int) -> None:
        self.baud = baud

    def close(self) -> None: ...

    def now_s(self) -> float:
        return 0.0


def test_sync_is_30_20_and_answers_14_10() -> None:
    wire = Wire("14 10")
    Loader(wire).sync()
    assert wire.sent == [bytes.fromhex("30 20")]
    assert (wire.resets, wire.baud) == (1, 115200)


def test_byte_address_0080_goes_as_words_low_byte_first() -> None:
    wire = Wire("14 10", "14 10")
    Loader(wire).write_page(1, bytes(range(128)))
    assert wire.sent[0] == bytes.fromhex("55 40 00 20")


def test_program_page_is_64_00_80_46_data_20() -> None:
    wire = Wire("14 10", "14 10")
    data = bytes(range(128))
    Loader(wire).write_page(0, data)
    assert wire.sent[1] == bytes.fromhex("64 00 80 46") + data + bytes.fromhex("20")


def test_read_page_is_74_00_80_46_20() -> None:
    data = bytes(reversed(range(128)))
    wire = Wire("14 10", "14" + data.hex() + "10")
    assert Loader(wire).read_page(1) == data
    assert wire.sent[1] == bytes.fromhex("74 00 80 46 20")


def test_signature_is_75_20_and_the_uno_answers_1e_95_0f() -> None:
    wire = Wire("14 1E 95 0F 10")
    assert Loader(wire).signature() == UNO.signature
    assert wire.sent == [bytes.fromhex("75 20")]


def test_set_device_sends_twenty_bytes_with_the_chips_sizes() -> None:
    # AVR061: page size, EEPROM size and flash size are sent high byte first.
    wire = Wire("14 10")
    Loader(wire).set_device()
    (sent,) = wire.sent
    assert (sent[0], len(sent), sent[-1]) == (0x42, 22, 0x20)
    assert sent[13:15] == bytes.fromhex("00 80")
    assert sent[15:17] == bytes.fromhex("04 00")
    assert sent[17:21] == bytes.fromhex("00 00 80 00")


def test_enter_and_leave() -> None:
    wire = Wire("14 10", "14 10")
    loader = Loader(wire)
    loader.enter()
    loader.leave()
    assert wire.sent == [bytes.fromhex("50 20"), bytes.fromhex("51 20")]


def test_the_virtual_loader_answers_the_same_bytes() -> None:
    flash = bytearray(b"\xff" * UNO.flash)
    loader = boot_loader(flash, lambda address, data: data)
    next(loader)

    def say(data: str) -> bytes:
        return b"".join(loader.send(byte) for byte in bytes.fromhex(data))

    assert say("30 20") == bytes.fromhex("14 10")
    assert say("75 20") == bytes.fromhex("14 1E 95 0F 10")
    assert say("55 40 00 20") == bytes.fromhex("14 10")
    assert say("64 00 80 46" + bytes(range(128)).hex() + "20") == bytes.fromhex("14 10")
    assert flash[128:256] == bytes(range(128))
    assert say("74 00 80 46 20") == b"\x14" + bytes(range(128)) + b"\x10"
