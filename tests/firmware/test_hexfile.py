import bincopy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import ImageError
from sequencer.firmware.hexfile import Segment, flat, read_hex, read_hex_file, write_hex


@pytest.mark.parametrize(
    ("line", "data"),
    [
        # Intel HEX example lines whose bytes sum to 0 (the project's check values, section 8).
        (":10010000214601360121470136007EFE09D2190140", "214601360121470136007EFE09D21901"),
        (":020000040800F2", ""),
    ],
)
def test_published_lines(line: str, data: str) -> None:
    segments = read_hex(f"{line}\n:00000001FF\n")
    assert b"".join(s.data for s in segments).hex().upper() == data
    if data:
        assert segments[0].address == 0x0100
        assert write_hex(segments).splitlines() == [line, ":00000001FF"]


def test_the_end_record_alone_is_an_empty_file() -> None:
    assert read_hex(":00000001FF") == ()
    assert write_hex([]) == ":00000001FF\n"


SEGMENTS = st.lists(
    st.tuples(st.integers(0, 0x2FFFF), st.binary(min_size=1, max_size=70)), min_size=1, max_size=5
)


@settings(max_examples=100, deadline=None)
@given(SEGMENTS)
def test_writing_and_reading_agree_with_bincopy(parts: list[tuple[int, bytes]]) -> None:
    parts = sorted(parts)
    apart: list[Segment] = []
    for address, data in parts:
        if not apart or address > apart[-1].end:
            apart.append(Segment(address, data))
    text = write_hex(apart)
    assert read_hex(text) == tuple(apart)
    peer = bincopy.BinFile()
    peer.add_ihex(text)
    assert [(s.address, bytes(s.data)) for s in peer.segments] == [(s.address, s.data) for s in apart]
    again = bincopy.BinFile()
    for segment in apart:
        again.add_binary(segment.data, address=segment.address)
    assert read_hex(again.as_ihex()) == tuple(apart)


def test_segment_addresses_of_the_old_kind_are_understood() -> None:
    text = ":020000021000EC\n:0100000042BD\n:00000001FF\n"
    assert read_hex(text) == (Segment(0x10000, b"\x42"),)


GOOD = write_hex([Segment(0x100, bytes(range(40)))]).splitlines()


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (lambda t: [t[0], t[1][:-1] + ("0" if t[1][-1] != "0" else "1"), *t[2:]], 2, "checksum is wrong"),
        (lambda t: [t[0], t[1][:-4], *t[2:]], 2, "shorter or longer"),
        (lambda t: [t[0][:-3], *t[1:]], 1, "whole hexadecimal bytes"),
        (lambda t: [t[0].replace("0", "G", 1), *t[1:]], 1, "whole hexadecimal bytes"),
        (lambda t: [t[0], ":01000006AA4F", *t[1:]], 2, "unknown type"),
        (lambda t: [t[0], ":0100000412E9", *t[1:]], 2, "wrong length"),
        (lambda t: [t[0], t[1], t[1], *t[2:]], 3, "given twice"),
        (lambda t: t[:-1], 3, "end record"),
        (lambda t: [*t, t[0]], 5, "behind the end record"),
        (lambda t: ["hello", *t], 1, "colon"),
        (lambda t: [], None, "end record"),
    ],
)
def test_damage_is_told_with_its_line(change, line: int | None, words: str) -> None:
    with pytest.raises(ImageError, match=words) as caught:
        read_hex("\n".join(change(GOOD)), "player.hex")
    assert caught.value.faults[0].line == line
    assert caught.value.faults[0].file == "player.hex"


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60) | st.text(alphabet=":0123456789ABCDEF\n", max_size=120))
def test_noise_is_refused_in_words(text: str) -> None:
    try:
        read_hex(text)
    except ImageError:
        return
    assert ":00000001FF" in text.upper()


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len("\n".join(GOOD)) - 1), st.sampled_from("0123456789ABCDEF:\n G"))
def test_one_changed_character_is_never_missed(at: int, character: str) -> None:
    text = "\n".join(GOOD)
    changed = text[:at] + character + text[at + 1 :]
    try:
        assert read_hex(changed) == read_hex(text)
    except ImageError:
        return
    assert changed.split() == text.split()


def test_files_that_are_missing_or_binary(tmp_path) -> None:
    with pytest.raises(ImageError, match="cannot be read"):
        read_hex_file(tmp_path / "none.hex")
    (tmp_path / "binary.hex").write_bytes(b"\xff\xfe:")
    with pytest.raises(ImageError, match="other bytes than text"):
        read_hex_file(tmp_path / "binary.hex")


def test_flat_fills_with_ff_and_refuses_what_is_beyond() -> None:
    assert flat([Segment(2, b"\x01")], 4) == b"\xff\xff\x01\xff"
    with pytest.raises(ImageError, match="bigger chip"):
        flat([Segment(2, b"\x01\x02\x03")], 4)
