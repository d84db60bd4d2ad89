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
