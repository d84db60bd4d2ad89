"""A figure on a Mega, with parts on the I2C bus, down the road of commands on the virtual board."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from sequencer.board.link import Link
from sequencer.board.virtual_boards import fresh_virtual, open_virtual
from sequencer.cli.bench_board import on_bench
from sequencer.cli.main import run
from sequencer.figure.read import read_figure

MORE = """
[expanders.neck]
address = 0x40
serves = "servos"
oscillator_mhz = 25.4
"""
#: Pins that only a Mega has, an expander's output, and the memory.
CHANGES = (
    ('kind = "uno"', 'kind = "mega"\nmemory_kb = 64'),
    ('pin = "D7"', 'pin = "A14"'),
    ('pin = "D8"', 'pin = "neck.3"'),
    ('pin = "D5" ', 'pin = "D46" '),
    ('pin = "D12"', 'pin = "D53"'),
    ('pin = "D2"\n', 'pin = "D38"\n'),
)


@pytest.fixture(scope="module")
def show(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shows") / "starter"
    assert run(["new", str(folder)]) == 0
    file = folder / "figure.toml"
    text = file.read_text()
    for old, new in CHANGES:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    file.write_text(text + MORE)
    return folder


@pytest.fixture
def typed(monkeypatch):
    def type_(words: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO(words))

    return type_


def said(capsys) -> dict:
    return json.loads(capsys.readouterr().out)


def test_flash_trigger_stream_and_calibrate(show: Path, tmp_path, typed, capsys) -> None:
    capsys.readouterr()
    board = ["--port", "virtual", "--state", str(tmp_path / "flash"), "--json"]
    assert run(["flash", str(show), *board]) == 0
    assert said(capsys)["outcome"] == "flashed"
    assert run(["flash", str(show), *board]) == 0
    assert said(capsys)["outcome"] == "nothing to do"
    for more in ([], ["--stream"]):
        assert run(["trigger", "hello", str(show), *board, "--speed", "0", *more]) == 0
        assert said(capsys)["outcome"] == "played"
    for name in read_figure(show).servos:  # on a pin beyond the Uno's, and on the expander
        typed("enter right right m n\n")
        assert run(["calibrate", str(show), "--only", name, *board]) == 0
        assert said(capsys)["servos"][name]["outcome"] == "written"
    assert (tmp_path / "flash").stat().st_size == 262_144


def test_an_unos_flash_is_not_a_megas(show: Path, tmp_path, capsys) -> None:
    state = tmp_path / "flash"
    state.write_bytes(b"\xff" * 32_768)
    assert run(["flash", str(show), "--port", "virtual", "--state", str(state)]) == 2
    assert "not the flash of a virtual board of the kind mega" in capsys.readouterr().err


def test_each_kind_has_a_board_of_its_own(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    for kind, size in (("uno", 32_768), ("nano", 32_768), ("mega", 262_144)):
        port = open_virtual(kind=kind)
        port.board.flash[0] = 0
        port.close()
        assert (tmp_path / "quarterjack" / f"virtual_{kind}.flash").stat().st_size == size


def test_bench_reaches_a_megas_pins_and_an_expanders_outputs(tmp_path, typed, capsys) -> None:
    board = ["--port", "virtual", "--state", str(tmp_path / "flash"), "--board", "mega"]
    typed("right m q\n")
    assert run(["bench", *board, "--yes", "--json", "--pin", "A15"]) == 0
    assert said(capsys)["centre_us"] == 1505
    typed("up q\n")
    assert run(["bench", *board, "--json", "--pin", "D44", "--kind", "lamp"]) == 0
    assert said(capsys)["value"] == 120
    port = fresh_virtual("mega")
    on_bench(port, "mega", True, lambda line: None)
    link = Link(port)
    link.hello()
    with pytest.raises(Exception, match="bad argument"):
        link.bench_servo(128 + 3, 1500)
    link.bench_expander(0x40, 121, 200)
    link.bench_servo(128 + 3, 1500)
    link.bench_servo(69, 1600)
    player = port.board._core._player
    assert (player.bench_pulse_us(131), player.bench_pulse_us(69)) == (1500, 1600)
    with pytest.raises(Exception, match="bad argument"):
        link.bench_servo(70, 1500)


def test_a_board_of_another_kind_is_told_from_a_mega(show: Path, tmp_path, capsys, monkeypatch) -> None:
    """`quarterjack virtual` serves any kind; a figure that names another one is refused by name."""
    from sequencer.board import connect

    monkeypatch.setattr(connect, "open_port", lambda *_args, **_kwargs: fresh_virtual("uno"))
    assert run(["flash", str(show), "--port", "virtual"]) == 3
    assert "another chip: ATmega328P" in capsys.readouterr().err
