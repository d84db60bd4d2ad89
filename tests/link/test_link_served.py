"""The virtual board behind a pty or a socket, through the same serial port class as a real one."""

from __future__ import annotations

import dataclasses
import os
import threading
from contextlib import contextmanager

import pytest

from sequencer.board.chips import UNO
from sequencer.board.flash import flash_board
from sequencer.board.link import Link
from sequencer.board.pace import Paced
from sequencer.board.serial_port import SerialPort
from sequencer.board.serve import PtyDoorway, TcpDoorway, serve
from sequencer.board.virtual_state import FlashFile, state_path
from sequencer.errors import ImageError, PortError

SMALL = dataclasses.replace(UNO, usable=0x800)


@contextmanager
def served(board, door):
    board._any_baud = True
    done = threading.Event()
    saves = []
    thread = threading.Thread(
        target=serve, args=(board, door), kwargs={"until": done.is_set, "save": lambda: saves.append(1)}
    )
    thread.start()
    try:
        yield door.name
    finally:
        done.set()
        thread.join(10)
    assert saves


@pytest.mark.parametrize("kind", ["pty", "tcp"])
def test_flash_and_cue_over_a_served_port(bench, flash_of, crcs, kind: str) -> None:
    if kind == "pty" and os.name == "nt":
        pytest.skip("no pseudo terminals there")
    content = flash_of(image_size=300)
    rig = bench(player=content)
    door = PtyDoorway() if kind == "pty" else TcpDoorway(0)
    with served(rig.board, door) as name:
        port = SerialPort(name)
        result = flash_board(port, content, *crcs(content), chip=SMALL)
        assert result.outcome == "flashed"
        assert bytes(rig.board.flash) == content
        link = Link(port)
        link.hello(quiet_s=0.1)
        link.wait_ready()
        cue = link.cue(1)
        assert list(link.follow(cue, 1))[-1].outcome == "played"
        link.close()


def test_a_taken_tcp_port_is_named() -> None:
    first = TcpDoorway(0)
    number = int(first.name.rsplit(":", 1)[1])
    with pytest.raises(PortError, match=f"TCP port {number} cannot be used"):
        TcpDoorway(number)
    first.close()


def test_paced_time_follows_the_wall_by_the_speed(bench, flash_of) -> None:
    wall = [100.0]
    slept = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        wall[0] += seconds

    paced = Paced(bench(flash_of()).port, speed=2.0, clock=lambda: wall[0], sleep=sleep)
    paced.read(1000, 3.0)
    assert paced.now_s() == pytest.approx(3.0, abs=1e-4)
    assert wall[0] - 100.0 == pytest.approx(1.5, abs=1e-3)
    assert max(slept) <= 0.0101


def test_flash_kept_in_a_file_written_whole_and_only_when_changed(tmp_path) -> None:
    file = tmp_path / "deep" / "board.flash"
    kept = FlashFile(file, UNO.flash)
    kept.save()
    assert not file.exists()
    kept.content[5] = 7
    kept.save()
    assert FlashFile(file, UNO.flash).content[5] == 7
    assert list(file.parent.iterdir()) == [file]


def test_a_file_that_is_no_flash_is_refused(tmp_path) -> None:
    file = tmp_path / "x"
    file.write_bytes(b"abc")
    with pytest.raises(ImageError, match="not the flash of a virtual board"):
        FlashFile(file, UNO.flash)


def test_the_cache_folder_is_the_users(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert state_path() == tmp_path / "quarterjack" / "virtual_uno.flash"


def test_virtual_prints_the_commands_for_its_port_and_that_it_counts_as_real() -> None:
    from sequencer.cli.virtual import greeting

    said = greeting("/dev/pts/7")
    for command in ("flash SHOW", "trigger SCENE SHOW", "bench"):
        assert f"quarterjack {command} --port /dev/pts/7" in said
    assert "counts as a real board" in said
    assert "ends_us" in said
