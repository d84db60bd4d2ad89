"""A board that reads through a long I2C memory before it says hello is waited for."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.board.chips import UNO
from sequencer.board.flash import flash_board
from sequencer.board.link import Link
from sequencer.board.messages import catalogue
from sequencer.board.transport import Transport
from sequencer.board.virtual_boards import open_virtual
from sequencer.cli.main import run
from sequencer.errors import LinkError
from sequencer.show_model import BuiltShow
from sequencer.tables.bus import memory_check_s


class Deaf:
    """A virtual board whose player hears and says nothing for so long after it has started."""

    def __init__(self, port: Transport, deaf_s: float) -> None:
        self.port, self.deaf_s = port, deaf_s
        self.late_s = 0.0  # by how much the board's clock stood still
        self.left_s = deaf_s
        self.baud = 0
        self.name = port.name

    def write(self, data: bytes) -> None:
        if self._hears():
            self.port.write(data)

    def read(self, size: int, timeout_s: float) -> bytes:
        if self._hears():
            return self.port.read(size, timeout_s)
        passed = min(timeout_s, self.left_s)
        self.left_s -= passed
        self.late_s += passed
        return b""

    def _hears(self) -> bool:
        return self.left_s <= 1e-6 or self.baud != catalogue().baud

    def reset(self) -> None:
        self.port.reset()
        self.left_s = self.deaf_s

    def set_baud(self, baud: int) -> None:
        if baud == catalogue().baud != self.baud:  # out of the loader
            self.left_s = self.deaf_s
        self.port.set_baud(baud)
        self.baud = baud

    def close(self) -> None:
        self.port.close()

    def now_s(self) -> float:
        return self.port.now_s() + self.late_s


#: 57 KB at 100 kHz: the bus alone takes 57 * 1024 / 8 lines of 12 bytes of 9 clocks, 7.9 s.
WAIT_S = memory_check_s(57 * 1024, 100)


def test_the_wait_is_what_bus_and_crc_cost() -> None:
    assert 7.9 + 57 * 1024 * 15e-6 < WAIT_S < 10.5
    assert 131_072 * (13.5 / 400e3 + 18e-6) < memory_check_s(131_072, 400) < 8.5
    assert memory_check_s(0, 100) == 0


@pytest.mark.parametrize("known", [True, False])
def test_a_hello_is_awaited_as_long_as_the_memory_takes(bench, flash_of, known: bool) -> None:
    link = Link(Deaf(bench(flash_of()).port, 9.0), starts_s=WAIT_S if known else 0.0)
    if known:
        assert link.hello().figure == "keeper"
        return
    with pytest.raises(LinkError, match="does not answer"):
        link.hello()


def test_an_upload_meets_such_a_board_and_has_nothing_to_do_then(bench, flash_of, crcs) -> None:
    content = flash_of()
    port = Deaf(bench(None).port, 9.0)
    known = flash_board(port, content, *crcs(content), chip=UNO, starts_s=WAIT_S)
    assert known.outcome == "flashed"
    again = flash_board(port, content, *crcs(content), chip=UNO, starts_s=WAIT_S)
    assert (again.outcome, again.baud) == ("nothing to do", None), "its loader is not needed"
    with pytest.raises(LinkError, match="does not say hello"):
        flash_board(port, content, *crcs(content), chip=UNO)


def test_flash_and_trigger_wait_for_the_figure_s_memory_and_say_so(
    tmp_path: Path, capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, state = tmp_path / "starter", tmp_path / "board.flash"
    assert run(["new", str(folder)]) == 0
    monkeypatch.setattr(BuiltShow, "memory_check_s", property(lambda _: WAIT_S))
    monkeypatch.setattr("sequencer.board.connect.open_port", lambda *_, **__: Deaf(open_virtual(state), 9.0))
    scene = next(file.stem for file in sorted(folder.glob("*.scene")) if "loop" not in file.read_text())
    for command in (["flash"], ["trigger", scene], ["trigger", scene, "--stream"]):
        capsys.readouterr()
        assert run([command[0], *command[1:2], str(folder), *command[2:], "--port", "virtual"]) == 0
        assert "reads through its I2C memory first: up to 10 s" in capsys.readouterr().out
