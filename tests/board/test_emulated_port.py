"""The emulated port by itself: what it says when something is missing, hex files, time, speed."""

from __future__ import annotations

import ctypes

import pytest

from sequencer.board import simavr, simavr_loader
from sequencer.board.emulated import EmulatedUno, hex_segments
from sequencer.errors import ImageError, LinkError, PortError


def test_without_the_library_it_says_what_to_install(monkeypatch):
    def absent(name: str) -> ctypes.CDLL:
        raise OSError(name)

    monkeypatch.setattr(simavr.ctypes, "CDLL", absent)
    with pytest.raises(PortError, match="libsimavr") as refused:
        EmulatedUno()
    assert "apt-get install" in str(refused.value)
    assert "--port virtual" in str(refused.value)


@pytest.mark.parametrize("name", ["_STATE", "_FREQUENCY", "_RUN_LIMIT", "_SLEEP"])
def test_a_library_laid_out_otherwise_is_refused(monkeypatch, name):
    monkeypatch.setattr(simavr, name, 8)  # where another field lies
    with pytest.raises(PortError, match=r"version 1\.6"):
        EmulatedUno()


def test_without_the_loaders_source_it_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setattr(simavr_loader, "SOURCE", tmp_path / "gone.c")
    with pytest.raises(PortError, match="boot loader") as refused:
        simavr_loader.loader_hex.__wrapped__()
    assert "arduino-core-avr" in str(refused.value)


@pytest.mark.parametrize(
    "text",
    [
        ":0100000001FE\n",  # no end record
        ":0100000001FF\n:00000001FF\n",  # a wrong sum
        ":01800000017E\n:00000001FF\n",  # beyond the flash
        "rubbish",
        ":00000009F7\n:00000001FF\n",  # type 9
    ],
)
def test_damaged_hex_is_refused(text):
    with pytest.raises(ImageError):
        hex_segments(text)


def test_the_loader_answers_at_its_speed_and_hears_noise_at_another(fresh_port):
    fresh_port.set_baud(115_200)
    fresh_port.reset()
    fresh_port.read(1, 0.1)
    fresh_port.write(b"0 ")
    assert fresh_port.read(2, 0.3) == b"\x14\x10"
    fresh_port.write(b"u ")
    assert fresh_port.read(5, 0.3) == b"\x14\x1e\x95\x0f\x10"
    fresh_port.set_baud(250_000)
    fresh_port.reset()
    fresh_port.read(1, 0.1)
    fresh_port.write(b"0 ")
    assert fresh_port.read(2, 0.3) != b"\x14\x10"


def test_time_passes_only_in_read_and_a_closed_port_refuses(fresh_port):
    port = fresh_port
    port.reset()
    begin = port.now_s()
    port.write(b"x")
    assert port.now_s() == begin
    assert port.read(1, 0.25) == b""
    assert port.now_s() == pytest.approx(begin + 0.25, abs=1e-3)
    port.close()
    port.close()
    with pytest.raises(LinkError, match="closed"):
        port.read(1, 0.1)
