"""A board without a show: the bench moves one servo gently and lights one lamp."""

from __future__ import annotations

from itertools import pairwise

import pytest

from sequencer.board.link import Link
from sequencer.errors import LinkError


@pytest.fixture
def bench(put_on_board):
    port = put_on_board(None)
    port.board.capture([4, 9])
    port.reset()
    link = Link(port)
    hello = link.hello()
    assert hello.fault == 1
    return port, link


def wait(link, seconds):
    end = link._port.now_s() + seconds
    while link._port.now_s() < end:
        link.reports(min(0.1, end - link._port.now_s()))


def test_hello_names_the_player(bench, player_facts):
    _, link = bench
    hello = link.hello()
    assert f"{hello.player_crc:08x}" == player_facts["player_crc32"]
    assert hello.player_version == player_facts["player_version"]
    assert hello.board == 1


def test_a_pulse_moves_by_at_most_8_us_a_frame(bench):
    port, link = bench
    assert not port.board.edges
    link.bench_servo(9, 1500)
    wait(link, 0.3)
    assert {pulse.width for pulse in port.board.pulses(9)} == {1500 * 16}
    link.bench_servo(9, 1700)
    wait(link, 0.8)
    widths = [pulse.width for pulse in port.board.pulses(9)]
    assert widths[-1] == 1700 * 16
    assert max(b - a for a, b in pairwise(widths)) == 8 * 16
    assert widths == sorted(widths)


def test_one_servo_at_a_time_and_zero_stops(bench):
    port, link = bench
    link.bench_servo(9, 1500)
    wait(link, 0.2)
    link.bench_servo(4, 1200)
    wait(link, 0.2)
    last = port.board.pulses(9)[-1].end
    assert port.board.pulses(4)[0].start > last
    link.bench_servo(4, 0)
    wait(link, 0.1)
    count = len(port.board.pulses(4))
    wait(link, 0.2)
    assert len(port.board.pulses(4)) == count


@pytest.mark.parametrize(
    ("pin", "pulse_us"), [(0, 1500), (1, 1500), (13, 1500), (9, 499), (9, 2501), (40, 1500)]
)
def test_what_the_bench_refuses(bench, pin, pulse_us):
    port, link = bench
    with pytest.raises(LinkError, match="bad argument"):
        link.bench_servo(pin, pulse_us)
    assert not port.board.edges


def test_a_lamp_lights_and_goes_really_dark(bench):
    port, link = bench
    link.bench_lamp(6, 100)
    wait(link, 0.2)
    port.board.sample_lamps()
    wait(link, 0.5)
    seen = [highs[2] for _, highs in port.board.lamp_samples]
    seen = seen[: len(seen) // 16 * 16]
    assert sum(seen) / len(seen) / 256 == pytest.approx(0.184187, abs=2 / 4096)  # CIE L* 50
    link.bench_lamp(6, 0)
    wait(link, 0.1)
    port.board.lamp_samples.clear()
    wait(link, 0.1)
    assert {highs[2] for _, highs in port.board.lamp_samples} == {0}
    with pytest.raises(LinkError, match="bad argument"):
        link.bench_lamp(4, 100)
