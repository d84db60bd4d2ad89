"""A board with a show, laid down for the bench: nothing is cut short, nothing plays until a reset."""

from __future__ import annotations

from itertools import pairwise

import pytest

from sequencer.board.link import Link
from sequencer.board.reports import FAULT, HOLD, IDLE
from sequencer.errors import LinkError


@pytest.fixture
def laid(put_on_board, twelve):
    image, show, _ = twelve
    port = put_on_board(image)
    for record in show.inputs:
        port.board.drive(record.pin, int(record.active_low))
    servos = [track.pin for track in show.tracks]
    port.board.capture(servos)
    port.reset()
    link = Link(port)
    return port, link, servos, [lamp.pin for lamp in show.lamps]


def test_right_after_a_reset_nothing_moves_at_all(laid) -> None:
    port, link, _, lamps = laid
    link.hello()
    link.workshop()
    port.read(1, 3.0)
    assert not port.board.edges
    assert {port.board.lamp_high(pin) for pin in lamps} == {0}
    now = link.status()
    assert (now.state, now.fault) == (FAULT, 11)
    for request in ("hold", "resume"):
        with pytest.raises(LinkError, match="refused"):
            link.request(request)
    with pytest.raises(LinkError, match="refused"):
        link.cue(0)


def test_a_playing_figure_is_held_first_and_no_pulse_is_cut_short(laid) -> None:
    port, link, servos, lamps = laid
    link.hello()
    link.wait_ready()
    link.cue(1, 0)
    port.read(1, 3.0)
    assert link.status().state in (3, IDLE)
    with pytest.raises(LinkError, match="busy"):
        link.request("workshop")
    link.hold()
    while link.status().state != HOLD:
        port.read(1, 0.05)
    with pytest.raises(LinkError, match="busy"):  # the stop is still running
        link.request("workshop")
    link.workshop()
    ended = port.board.cycle
    port.read(1, 1.0)
    for pin in servos:
        pulses = port.board.pulses(pin)
        assert max(pulse.end for pulse in pulses) <= ended
        last, before = pulses[-1].width, pulses[-2].width
        assert abs(last - before) <= 16, "the last pulse is a whole one"
    assert {port.board.lamp_high(pin) for pin in lamps} == {0}
    assert not any(port.board.is_output(pin) for pin in [*servos, *lamps])


def test_the_bench_then_drives_a_servo_gently_and_a_lamp(laid) -> None:
    port, link, servos, lamps = laid
    link.hello()
    with pytest.raises(LinkError, match="refused"):
        link.bench_servo(servos[3], 1500)
    link.workshop()
    port.board.edges.clear()
    link.bench_servo(servos[3], 1400)
    link.reports(0.2)
    link.bench_servo(servos[3], 1500)
    link.reports(0.5)
    widths = [pulse.width for pulse in port.board.pulses(servos[3])]
    assert (widths[0], widths[-1]) == (1400 * 16, 1500 * 16)
    assert max(b - a for a, b in pairwise(widths)) == 8 * 16
    assert {edge.pin for edge in port.board.edges} == {servos[3]}
    link.bench_lamp(lamps[0], 200)
    link.reports(0.1)
    assert port.board.lamp_high(lamps[0]) >= 254
    port.read(1, 2.2)  # nobody asks anything: all of it ends
    assert port.board.lamp_high(lamps[0]) == 0
    count = len(port.board.pulses(servos[3]))
    port.read(1, 0.3)
    assert len(port.board.pulses(servos[3])) == count


def test_a_reset_brings_the_show_back(laid) -> None:
    port, link, _, _ = laid
    link.hello()
    link.workshop()
    port.reset()
    fresh = Link(port)
    assert fresh.hello().fault == 0
    assert fresh.wait_ready().state == IDLE
