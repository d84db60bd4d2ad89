"""The bench never leaves a servo or lamp on behind the builder's back."""

from __future__ import annotations

import contextlib
import io
import sys

import pytest

from sequencer.board.bench import Jog
from sequencer.board.link import Link
from sequencer.board.virtual_boards import fresh_virtual
from sequencer.cli.main import run
from sequencer.errors import LinkError


@pytest.fixture
def jog(bench, flash_of):
    rig = bench(flash_of(image=None))
    link = Link(rig.port)
    link.hello()
    return rig, Jog(link, "servo", 9)


def test_the_board_is_asked_something_all_the_time(jog) -> None:
    rig, hand = jog
    hand.start()
    for _ in range(20):
        rig.port.read(1, 0.2)
        assert hand.keep_alive() is None
    assert [kind for kind, _ in rig.player.performed].count("ask_status") == 20
    assert hand.on


def test_after_a_long_silence_the_board_has_stopped_and_it_is_told(jog) -> None:
    rig, hand = jog
    hand.start()
    rig.port.read(1, 2.1)
    assert "it has stopped" in hand.keep_alive()
    assert hand.line() == "D9: no pulses"
    assert hand.keep_alive() is None


@pytest.mark.parametrize("trouble", [LinkError("a bad line"), RuntimeError("a defect")])
def test_bench_stops_the_servo_whatever_ends_it(monkeypatch, trouble) -> None:
    from sequencer.board import connect

    opened = []

    def open_port(port, **options):
        opened.append(fresh_virtual())
        return opened[-1]

    pulses = []

    def broken(self) -> None:
        pulses.append(core().bench_pulse_us(9))
        raise trouble

    def core():
        return opened[0].board._core._player

    monkeypatch.setattr(connect, "open_port", open_port)
    monkeypatch.setattr(Jog, "keep_alive", broken)
    monkeypatch.setattr(sys, "stdin", io.StringIO("right\n"))
    with contextlib.suppress(RuntimeError):
        assert run(["bench", "--port", "virtual", "--yes"]) != 0
    assert pulses[0] in (1500, 1505)
    assert core().bench_pulse_us(9) == 0


def test_the_virtual_board_stops_by_itself_as_the_real_one_does() -> None:
    from sequencer.cli.bench_board import on_bench

    port = fresh_virtual()
    link = on_bench(port, "uno", True, lambda line: None)
    player = port.board._core._player
    link.bench_servo(9, 1500)
    port.read(1, 1.9)
    assert player.bench_pulse_us(9) == 1500
    link.status()
    port.read(1, 1.9)
    assert player.bench_pulse_us(9) == 1500
    port.read(1, 0.3)
    assert player.bench_pulse_us(9) == 0
