"""Strings and sound module in the image: what is written reads back, what is damaged is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import ImageError
from sequencer.player.player import Fault, Player
from sequencer.tables.extra_sound import NO_PLACE, SoundRecord, read_sound, sound_extra
from sequencer.tables.extra_strings import StringRecord, read_strings, strings_extra
from sequencer.tables.image import build_image
from tests.board.emulated_show import made_show

byte = st.integers(0, 255)
strings = st.builds(
    StringRecord, byte, st.integers(1, 40), st.tuples(*[st.integers(0, 3)] * 3), st.tuples(byte, byte, byte)
)


@given(st.lists(strings, min_size=1, max_size=4))
def test_strings_read_back(records):
    extra = strings_extra(records)
    assert extra is not None
    assert read_strings(extra.content, 4) == tuple(records)


@given(
    st.builds(
        SoundRecord,
        *(byte, st.booleans(), st.booleans(), st.integers(0, 65535), st.binary(min_size=1, max_size=30)),
        place=st.just(NO_PLACE) | st.just(0),
        starts=st.lists(st.none() | st.tuples(byte, st.integers(1, 65535)), max_size=6).map(tuple),
        silence=st.none() | byte,
    )
)
def test_the_sound_module_reads_back(record):
    assert read_sound(sound_extra(record).content, len(record.starts)) == record


def test_damaged_ones_are_refused_by_python_and_by_the_core():
    show, _ = made_show((9,))
    extra = strings_extra([StringRecord(12, 8, (0, 1, 2), (255, 255, 255))])
    sound = sound_extra(SoundRecord(10, True, False, 1667, b"\x01\x02", 1, (None, (1, 5), None)))
    assert extra is not None
    for whole, at, value in ((extra, 0, 2), (extra, 2, 0), (extra, 3, 4), (sound, 5, 3), (sound, 5, 9)):
        bad = bytearray(whole.content)
        bad[at] = value
        damaged = replace(whole, content=bytes(bad))
        with pytest.raises(ImageError):
            _ = read_strings(damaged.content, 4) if whole is extra else read_sound(damaged.content, 3)
        image = build_image(replace(show, extras=(damaged,)))
        assert Player(image).open() is Fault.BAD_CONTENT, (whole.tag, at, value)
    assert Player(build_image(replace(show, extras=(extra, sound)))).open() is Fault.OK
