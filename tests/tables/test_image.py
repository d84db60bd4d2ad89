import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import ImageError
from sequencer.tables.image import build_image, image_crc32, read_image
from sequencer.tables.model import ShowImage
from tests.tables.show_makers import shows


@settings(max_examples=60, deadline=None)
@given(shows())
def test_an_image_comes_back_as_it_was(show: ShowImage) -> None:
    image = build_image(show)
    again = read_image(image)
    assert build_image(again) == image
    assert again.tracks == show.tracks
    assert again.inputs == show.inputs
    assert again.transitions == show.transitions
    assert [s.name for s in again.scenes] == [s.name for s in show.scenes]
    assert [s.streams for s in again.scenes] == [s.streams for s in show.scenes]
    assert image_crc32(image) == zlib.crc32(image[12:])


@settings(max_examples=150, deadline=None)
@given(shows(), st.data())
def test_a_changed_byte_is_never_missed(show: ShowImage, data: st.DataObject) -> None:
    image = bytearray(build_image(show))
    at = data.draw(st.integers(0, len(image) - 1))
    image[at] ^= data.draw(st.integers(1, 255))
    with pytest.raises(ImageError):
        read_image(bytes(image))


@settings(max_examples=200, deadline=None)
@given(shows(), st.data())
def test_damage_under_a_right_checksum_is_refused_or_harmless(show: ShowImage, data: st.DataObject) -> None:
    image = bytearray(build_image(show))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(12, min(len(image) - 1, 400)))
        image[at] = data.draw(st.integers(0, 255))
    image[8:12] = zlib.crc32(image[12:]).to_bytes(4, "little")
    try:
        read = read_image(bytes(image))
    except ImageError:
        return
    assert len(read.scenes) == image[18]
    assert len(read.tracks) == image[14]


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_noise_is_refused(noise: bytes) -> None:
    with pytest.raises(ImageError):
        read_image(noise)
    with pytest.raises(ImageError):
        read_image(b"QJK1" + noise)


@settings(max_examples=30, deadline=None)
@given(shows(), st.data())
def test_an_image_cut_short_is_refused(show: ShowImage, data: st.DataObject) -> None:
    image = build_image(show)
    with pytest.raises(ImageError, match=r"shorter than its header|length is not the one"):
        read_image(image[: data.draw(st.integers(0, len(image) - 1))], "show.qji")
