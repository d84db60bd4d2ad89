"""The clock's calibration in the image, and the virtual board following the host as a real one does."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.board.clock import BoardClock, read_clock
from sequencer.board.link import Link
from sequencer.board.virtual import VirtualBoard, VirtualTransport
from sequencer.errors import FigureError, LinkError
from sequencer.firmware.boards import prebuilt_player
from sequencer.player.player import Player
from sequencer.tables.extra_clock import MOST_TRIM, check_clock_error, clock_extra, clock_trim
from sequencer.tables.image import build_image, read_image
from tests.board.emulated_show import made_show


def virtual_link(image: bytes, ppm: float) -> Link:
    player = prebuilt_player("uno")
    flash = bytearray(b"\xff" * 32768)
    for segment in player.segments:
        flash[segment.address : segment.address + len(segment.data)] = segment.data
    flash[player.board.image_base : player.board.image_base + len(image)] = image
    board = VirtualBoard(
        flash,
        player_crc32=player.crc32,
        image_base=player.board.image_base,
        make_player=Player,
        clock_ppm=ppm,
    )
    link = Link(VirtualTransport(board))
    link.hello()
    link.wait_ready()
    return link


@pytest.mark.parametrize("ppm", [5000.0, -6800.0])
def test_a_virtual_board_is_kept_in_step(ppm):
    show, _ = made_show()
    link = virtual_link(build_image(show), ppm)
    clock = BoardClock(link)
    errors = [clock.keep()]
    for turn in range(120):
        link.reports(0.25 if turn < 8 else 1.0)
        errors.append(clock.keep())
    assert max(map(abs, errors)) < 0.005
    assert max(map(abs, errors[60:])) < 0.0015
    assert clock.fast_ppm == pytest.approx(ppm, abs=20)


def test_a_reset_is_not_taken_for_a_clock_that_is_off():
    show, _ = made_show()
    link = virtual_link(build_image(show), 0)
    clock = BoardClock(link)
    for _ in range(3):
        clock.keep()
        link.reports(1.0)
    link._port.reset()
    link._port.read(1000, 1.8)  # nobody hears the hello
    with pytest.raises(LinkError, match="jumped"):
        clock.keep()


def test_calibration_goes_into_the_image_and_plays():
    show, _ = made_show()
    extra = clock_extra(-2500.0)
    assert extra is not None
    image = build_image(replace(show, extras=(extra,)))
    assert clock_trim(read_image(image)) == -800
    assert clock_trim(read_image(build_image(show))) == 0
    link = virtual_link(image, -2500.0)
    first = link.now_s()
    begin = link.request("host_time", trim=(-800) % 65536, slew=0)
    link.reports(20.0)
    end = read_clock(link, -800)
    frames = end.frames - begin.number("frame")
    assert frames * 0.02 == pytest.approx(end.host_s - first, abs=0.03)


def test_a_clock_too_far_off_and_an_error_not_covered_are_explained():
    assert clock_extra(0.4) is None
    assert clock_extra(MOST_TRIM / 0.32) is not None
    with pytest.raises(FigureError, match="too far off"):
        clock_extra(7100)
    check_clock_error(0.01)
    with pytest.raises(FigureError, match="would not be covered") as refused:
        check_clock_error(0.005)
    assert "clock_error_percent" in str(refused.value)
