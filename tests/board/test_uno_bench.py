"""A board without a show: the bench moves one servo gently and lights one lamp."""

from __future__ import annotations

from itertools import pairwise

import pytest

from sequencer.board.link import Link
from sequencer.errors import LinkError
from tests.board.emulated_show import FRAME


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
    """As `quarterjack bench` waits: the board is asked something every 0.2 s."""
    end = link._port.now_s() + seconds
    while link._port.now_s() < end:
        link.reports(min(0.2, end - link._port.now_s()))
        link.status()


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


def test_another_servo_s_first_pulse_is_its_own_goal_whenever_it_is_asked_for(bench):
    """In each of 24 parts of a frame: no pulse of the one goes to the other, and none is cut or left high."""
    port, link = bench
    board = port.board
    seen = set()
    link.bench_servo(9, 2000)
    wait(link, 0.2)
    for part in range(24):
        rise = board.pulses(9)[-1].start
        board.run((rise - board.cycle + part * FRAME // 24) % FRAME)
        asked = board.cycle
        link.bench_servo(4, 1200)
        seen.add((board.cycle - rise) % FRAME * 24 // FRAME)
        wait(link, 0.2)
        assert not board.port_level(9), part
        new = [pulse for pulse in board.pulses(4) if pulse.start >= asked]
        assert {pulse.width for pulse in new} == {1200 * 16}, part
        assert {pulse.width for pulse in board.pulses(9)} == {2000 * 16}, part
        assert new[0].start > board.pulses(9)[-1].end
        assert new[0].start - asked < 5 * FRAME
        link.bench_servo(9, 2000)
        wait(link, 0.2)
        assert not board.port_level(4), part
    assert len(seen) >= 20, "the answers must have come everywhere in a frame"


def test_of_two_changes_in_a_row_only_the_last_servo_moves(bench):
    port, link = bench
    board = port.board
    board.capture([10])
    link.bench_servo(9, 2000)
    wait(link, 0.2)
    link.bench_servo(10, 1800)
    link.bench_servo(4, 1200)
    wait(link, 0.2)
    assert not board.pulses(10)
    assert {pulse.width for pulse in board.pulses(4)} == {1200 * 16}
    assert not board.is_output(10)


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


def test_a_lamp_is_refused_on_a_servo_s_pin_from_the_request_on(bench):
    port, link = bench
    port.board.capture([6])
    for attempt in range(10):  # the servo's first frame is still to come in most of them
        link.bench_servo(6, 1500)
        with pytest.raises(LinkError, match="refused"):
            link.bench_lamp(6, 100)
        link.bench_servo(6, 0)
        port.board.run(16 * (20_000 + 1_700 * attempt))
    link.bench_lamp(6, 100)
    with pytest.raises(LinkError, match="refused"):
        link.bench_servo(6, 1500)


def test_a_silent_host_ends_pulses_and_light_after_two_seconds(bench):
    port, link = bench
    link.bench_servo(9, 1500)
    link.bench_lamp(5, 100)
    wait(link, 3.0)
    board = port.board
    heard = board.cycle
    assert heard - board.pulses(9)[-1].end < 320_000, "a host that asks keeps the pulses"
    assert board.lamp_high(5) > 0
    board.feed(bytes(range(1, 100)))  # noise is no host
    port.read(1, 1.8)
    assert board.cycle - board.pulses(9)[-1].end < 320_000
    port.read(1, 2.0)
    assert 1.9 < (board.pulses(9)[-1].end - heard) / 16e6 < 2.1
    assert board.lamp_high(5) == 0
    assert board.port_level(5) == 0
    count = len(board.pulses(9))
    link.status()
    wait(link, 0.3)
    assert len(board.pulses(9)) == count, "only a request starts it again"
    link.bench_servo(9, 1600)
    wait(link, 0.3)
    assert {pulse.width for pulse in board.pulses(9)[count:]} == {1600 * 16}


def test_a_line_that_idles_high_has_no_edge_until_it_rises(bench):
    port, link = bench
    board = port.board
    board.drive(2, 0)
    board.drive(3, 1)
    assert link.edges(2) == 0
    for pin in (3, 2, 3):  # each from the other's level
        assert link.edges(pin) == 0
        wait(link, 0.1)
        assert link.edges(pin) == 0
    board.drive(3, 0)
    board.run(FRAME // 4)
    board.drive(3, 1)
    board.run(FRAME // 4)
    assert link.edges(3) == 1
