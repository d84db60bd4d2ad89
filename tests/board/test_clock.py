"""The board's clock follows the host's: half a per cent off, its show stays within 5 ms."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from sequencer.board.clock import BoardClock, measure_clock, read_clock
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.tables.extra_clock import clock_extra
from sequencer.tables.image import build_image
from tests.board.emulated_show import FRAME, start_stage

OFF_PPM = 5000  # a ceramic resonator's tolerance


def frames_begun(port: EmulatedTransport, pin: int) -> list[float]:
    """Host seconds at which frames began, by a servo's rising edges (its starts may move by 75 us)."""
    return [pulse.start / port.board_rate for pulse in port.board.pulses(pin)]


@pytest.mark.parametrize("ppm", [OFF_PPM, -OFF_PPM])
def test_the_show_keeps_to_the_hosts_time(twelve, put_on_board, ppm):
    image, show, _ = twelve
    board = put_on_board(image).board
    port = EmulatedTransport(board, clock_ppm=ppm)
    stage = start_stage(port, image, show)
    clock = BoardClock(stage.link)
    clock.keep()
    begin = port.now_s()
    stage.cue("greet", 0)
    while port.now_s() < begin + 40.0:
        stage.link.reports(0.25 if port.now_s() < begin + 3 else 1.0)
        clock.keep()
    starts = frames_begun(port, show.tracks[0].pin)
    first = next(at for at, time in enumerate(starts) if time >= begin)
    drift = [(time - starts[first]) - 0.02 * at for at, time in enumerate(starts[first:])]
    assert max(map(abs, drift)) < 0.005
    assert abs(drift[-1]) < 0.001, "the rest is slewed away"
    assert clock.fast_ppm == pytest.approx(ppm, abs=60)
    steps = [(b - a) * port.board_rate / FRAME - 1 for a, b in pairwise(starts)]
    assert max(map(abs, steps)) < 0.0101 + 1200 / FRAME, "trim and slew stay within one per cent"
    assert stage.link.status().late_frames == 0


def test_left_alone_it_drifts_by_half_a_per_cent_and_is_measured_so(put_on_board):
    port = EmulatedTransport(put_on_board(None).board, clock_ppm=OFF_PPM)
    port.reset()
    link = Link(port)
    link.hello()
    begin = read_clock(link, 0)
    link.reports(10.0)
    end = read_clock(link, 0)
    gained = (end.frames - begin.frames) * 0.02 - (end.host_s - begin.host_s)
    assert gained == pytest.approx(0.05, abs=0.002)
    assert measure_clock(link, 5.0).fast_ppm == pytest.approx(OFF_PPM, abs=300)


def test_a_calibrated_image_needs_no_host(twelve, put_on_board):
    _, show, _ = twelve
    extra = clock_extra(OFF_PPM)
    assert extra is not None
    show = replace(show, extras=(extra,))
    image = build_image(show)
    port = EmulatedTransport(put_on_board(image).board, clock_ppm=OFF_PPM)
    start_stage(port, image, show)
    port.read(1000, 10.0)
    starts = frames_begun(port, show.tracks[0].pin)
    drift = [(time - starts[0]) - 0.02 * at for at, time in enumerate(starts)]
    assert len(starts) > 400
    assert max(map(abs, drift)) < 0.0002
