"""The commands `flash` and `trigger` on the virtual board, with the starter show and the real player."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from sequencer.cli.main import run


@pytest.fixture(scope="module")
def show(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shows") / "starter"
    assert run(["new", str(folder)]) == 0
    return folder


def test_flash_then_trigger_as_two_commands(show: Path, tmp_path, capsys) -> None:
    capsys.readouterr()
    state = ["--port", "virtual", "--state", str(tmp_path / "board.flash")]
    assert run(["flash", str(show), *state, "--json"]) == 0
    first = json.loads(capsys.readouterr().out)
    assert first["outcome"] == "flashed"
    assert run(["flash", str(show), *state, "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert (again["outcome"], again["image_crc32"]) == ("nothing to do", first["image_crc32"])
    scene = next(file.stem for file in sorted(show.glob("*.scene")) if "loop" not in file.read_text())
    assert run(["trigger", scene, str(show), *state, "--speed", "0", "--json"]) == 0
    played = json.loads(capsys.readouterr().out)
    assert (played["scene"], played["outcome"], played["late_frames"]) == (scene, "played", 0)


def test_trigger_without_a_terminal_tells_what_it_waits_for_and_how_far_it_is(
    show: Path, tmp_path, capsys
) -> None:
    state = ["--port", "virtual", "--state", str(tmp_path / "board.flash")]
    assert run(["flash", str(show), *state, "--json"]) == 0
    scene = next(file.stem for file in sorted(show.glob("*.scene")) if "loop" not in file.read_text())
    capsys.readouterr()
    assert run(["trigger", scene, str(show), *state, "--speed", "0", "--loop", "2"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("planning")
    assert "hello" in lines[1]
    assert lines[2].startswith(f"{scene}: ")
    assert any("turn 1 of 2" in line for line in lines[3:-1])
    assert any("turn 2 of 2" in line for line in lines[3:-1])
    assert lines[-1].startswith(f"{scene}: played 2 times")


def test_trigger_on_a_board_without_the_show_says_flash_first(show: Path, tmp_path, capsys) -> None:
    scene = sorted(show.glob("*.scene"))[0].stem
    empty = ["--port", "virtual", "--state", str(tmp_path / "none.flash"), "--speed", "0"]
    assert run(["trigger", scene, str(show), *empty]) == 3
    assert "quarterjack flash" in capsys.readouterr().err


def test_a_port_that_is_not_there_ends_with_three_and_no_traceback(show: Path, tmp_path, capsys) -> None:
    recorded = tmp_path / "recorded"
    shutil.copytree(show, recorded)
    figure = recorded / "figure.toml"
    figure.write_text(re.sub(r"(?m)^(stall_a = .*)$", r"\1\nends_us = [550, 2450]", figure.read_text()))
    assert run(["flash", str(recorded), "--port", "/dev/ttyNOPE7"]) == 3
    said = capsys.readouterr().err
    assert "port /dev/ttyNOPE7 is not there" in said
    assert "Traceback" not in said


def test_a_flash_that_leaves_the_board_dead_is_no_success(show: Path, tmp_path, capsys, monkeypatch) -> None:
    """The show is on it, and the remedy is the fault's own, not to flash again."""
    from sequencer.board import virtual_boards

    boot = virtual_boards._Core.boot

    def without_expander(self, image: bytes | None, reset_cause: int) -> None:
        boot(self, image, reset_cause)
        if image is not None:
            self._player._machine.call("x_fail", 8)

    monkeypatch.setattr(virtual_boards._Core, "boot", without_expander)
    state = ["--port", "virtual", "--state", str(tmp_path / "board.flash")]
    assert run(["flash", str(show), *state]) == 3
    said = capsys.readouterr().err
    assert "nothing will move: an expander does not answer" in said
    assert "SDA and SCL" in said
    assert "quarterjack flash" not in said
    scene = next(file.stem for file in sorted(show.glob("*.scene")) if "loop" not in file.read_text())
    assert run(["trigger", scene, str(show), *state, "--speed", "0"]) == 3
    assert "SDA and SCL" in capsys.readouterr().err


@pytest.mark.parametrize("port", ["virtual", "emulated"])
def test_a_show_that_needs_its_i2c_memory_is_checked_flashed_and_played(tmp_path, capsys, port: str) -> None:
    folder = tmp_path / "long"
    assert run(["new", str(folder)]) == 0
    figure = folder / "figure.toml"
    figure.write_text(figure.read_text().replace('kind = "uno"', 'kind = "uno"\nmemory_kb = 64', 1))
    with figure.open("a") as out:
        out.write('\n[inputs.power]\npin = "A2"\nkind = "rail"\nactive_low = false\npull_up = false\n')
    moves = "turn sways 20 throughout\n0:00.0 nod sways 5 throughout\n"
    (folder / "long.scene").write_text(f"scene long\nlength 12:00\n\n0:00.0 {moves}")
    assert run(["check", str(folder), "--json"]) == 0
    state = ["--port", port, "--state", str(tmp_path / "board.flash")]
    assert run(["flash", str(folder), *state]) == 0
    capsys.readouterr()
    assert run(["trigger", "hello", str(folder), *state, "--speed", "0", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["outcome"] == "played"


def test_a_simulated_board_teaches_no_currents(show: Path, tmp_path, capsys) -> None:
    folder = tmp_path / "taught"
    shutil.copytree(show, folder)
    with (folder / "figure.toml").open("a") as out:
        out.write('\n[inputs.rail]\npin = "A1"\nkind = "current"\nmv_per_a = 185\n')
    state = ["--port", "virtual", "--state", str(tmp_path / "board.flash")]
    scene = next(file.stem for file in sorted(show.glob("*.scene")) if "loop" not in file.read_text())
    assert run(["trigger", scene, str(folder), *state, "--learn"]) == 2
    assert "teaches nothing" in capsys.readouterr().err
    assert not (folder / "guard.toml").exists()
