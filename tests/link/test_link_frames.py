"""Frames and messages: what goes in comes out, and garbage harms nothing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.board.frames import LONGEST, Frame, FrameDecoder, cobs_decode, cobs_encode
from sequencer.board.messages import SIZES, catalogue, decode_body, encode_body
from sequencer.errors import LinkError, UsageError

FRAMES = st.builds(Frame, st.integers(0, 255), st.integers(0, 255), st.binary(max_size=40))


@given(st.binary(max_size=1200))
@settings(max_examples=150)
def test_cobs_round_trip_has_no_zero_and_bounded_overhead(data: bytes) -> None:
    stuffed = cobs_encode(data)
    assert 0 not in stuffed
    assert len(stuffed) <= len(data) + 1 + len(data) // 254
    assert cobs_decode(stuffed) == data


@pytest.mark.parametrize("length", [253, 254, 255, 508, 509])
def test_cobs_at_the_block_boundary(length: int) -> None:
    data = b"\x07" * length
    assert cobs_decode(cobs_encode(data)) == data
    assert cobs_decode(cobs_encode(data + b"\0")) == data + b"\0"


@given(st.binary(max_size=300))
@settings(max_examples=150)
def test_cobs_decode_of_anything_gives_bytes_or_value_error(data: bytes) -> None:
    try:
        plain = cobs_decode(data)
    except ValueError:
        return
    assert len(plain) <= len(data)


@given(st.lists(FRAMES, max_size=6), st.data())
@settings(max_examples=100)
def test_frames_survive_any_chunking(frames: list[Frame], data: st.DataObject) -> None:
    line = b"".join(frame.encode() for frame in frames)
    decoder = FrameDecoder()
    got = []
    while line:
        cut = data.draw(st.integers(1, len(line)))
        got += decoder.feed(line[:cut])
        line = line[cut:]
    assert got == frames
    assert decoder.damaged == 0


@given(st.binary(max_size=600), FRAMES)
@settings(max_examples=150)
def test_after_any_garbage_and_a_zero_the_next_frame_is_heard(noise: bytes, frame: Frame) -> None:
    decoder = FrameDecoder()
    decoder.feed(noise + b"\0")
    assert decoder.feed(frame.encode()) == [frame]
    assert len(decoder._held) <= LONGEST


@given(FRAMES, st.data())
@settings(max_examples=200)
def test_a_single_flipped_bit_is_never_taken_for_a_frame(frame: Frame, data: st.DataObject) -> None:
    line = bytearray(frame.encode())
    bit = data.draw(st.integers(0, 8 * len(line) - 1))
    line[bit // 8] ^= 1 << bit % 8
    # A flip can make a new zero or eat one; whatever comes out, it is not another frame.
    assert FrameDecoder().feed(bytes(line) + b"\0") in ([], [frame])


def test_every_message_round_trips_at_its_limits() -> None:
    for kind in catalogue().by_name.values():
        for top in (False, True):
            fields = {
                name: ("x" * 16 if top else "")
                if form == "char16"
                else (((32767, -32768) * kind.most)[: kind.most] if top else ())
                if form == "i16s"
                else ((1 << 8 * SIZES[form]) - 1 if top else 0)
                for name, form in kind.fields
            }
            body = encode_body(kind, fields)
            assert len(body) == kind.size + (2 * kind.most if top else 0)
            assert decode_body(kind, body) == fields


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"cue": 1, "scene": 256, "repeats": 0}, "scene must be in range 0..255, not 256"),
        ({"cue": -1, "scene": 0, "repeats": 0}, "cue must be in range 0..65535, not -1"),
        ({"cue": 1, "scene": 0}, "cue needs the field 'repeats'"),
        ({"cue": 1, "scene": 0, "repeats": 0, "speed": 3}, "cue has no field 'speed'"),
        ({"cue": 1, "scene": "greet", "repeats": 0}, "scene must be a whole number, not 'greet'"),
        ({"cue": 1, "scene": True, "repeats": 0}, "scene must be a whole number, not True"),
    ],
)
def test_a_wrong_field_is_named(fields: dict, words: str) -> None:
    with pytest.raises(UsageError, match=words.replace(".", r"\.")):
        encode_body(catalogue().by_name["cue"], fields)


def test_a_body_of_another_length_names_both_lengths() -> None:
    with pytest.raises(LinkError, match="has 3 bytes where this version expects 1"):
        decode_body(catalogue().by_name["ack"], b"abc")


def test_the_table_of_messages_explains_every_happening_that_the_core_tells() -> None:
    root = Path(__file__).parents[2]
    header = (root / "firmware_templates/core/qj_core.h").read_text(encoding="utf-8")
    numbers = re.findall(r"= (\d+)", header.split("enum qj_what {")[1].split("}")[0])
    table = (root / "sequencer/board/messages.toml").read_text(encoding="utf-8")
    words = table.split('name = "happened"')[1].split("help = ")[1].split("cue 0 =")[0]
    assert re.findall(r"(?:what:|[,.]) (\d+) [a-z]", words) == numbers
