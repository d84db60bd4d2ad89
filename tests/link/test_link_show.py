"""The commands `flash` and `trigger` on the virtual board, with the starter show and the real player."""

from __future__ import annotations

import json
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


def test_trigger_on_a_board_without_the_show_says_flash_first(show: Path, tmp_path, capsys) -> None:
    scene = sorted(show.glob("*.scene"))[0].stem
    empty = ["--port", "virtual", "--state", str(tmp_path / "none.flash"), "--speed", "0"]
    assert run(["trigger", scene, str(show), *empty]) == 3
    assert "quarterjack flash" in capsys.readouterr().err


def test_a_port_that_is_not_there_ends_with_three_and_no_traceback(show: Path, capsys) -> None:
    assert run(["flash", str(show), "--port", "/dev/ttyNOPE7"]) == 3
    said = capsys.readouterr().err
    assert "port /dev/ttyNOPE7 is not there" in said
    assert "Traceback" not in said
