"""What happens in a scene is told alike, whether the board plays it or this computer streams it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.board import virtual_boards
from sequencer.board.reports import LIVE
from sequencer.cli.main import run
from sequencer.player.player import Player

INPUTS = """
[inputs.power]
pin = "D9"
kind = "rail"
active_low = false

[inputs.current]
pin = "A0"
kind = "current"
mv_per_a = 185
offset_mv = 2500
on_trip = "tell"
"""
#: Frames into the scene: when it happens.
WHEN = 100
POWER = 1 << 1
HOW = pytest.mark.parametrize("how", [(), ("--stream",)], ids=["from memory", "streamed"])


@pytest.fixture(scope="module")
def show(tmp_path_factory) -> Path:
    """The starter show, its servos' supply and current sensed."""
    folder = tmp_path_factory.mktemp("shows") / "starter"
    assert run(["new", str(folder)]) == 0
    with (folder / "figure.toml").open("a") as out:
        out.write(INPUTS)
    return folder


@pytest.fixture
def trigger(show: Path, tmp_path, monkeypatch, capsys) -> Callable[..., tuple[int, list[str]]]:
    """Play ``hello`` on a board to which something happens in it; the exit code and the lines."""
    port = ["--port", "virtual", "--state", str(tmp_path / "board.flash")]
    assert run(["flash", str(show), *port, "--json"]) == 0
    capsys.readouterr()

    def play(happens: Callable[[Player], None], *options: str) -> tuple[int, list[str]]:
        inner, passed = virtual_boards._Core.tick, [0]

        def tick(core):
            row = inner(core)
            passed[0] += int(row.scene[0]) in (0, LIVE)
            if passed[0] == WHEN:
                happens(core._player)
            return row

        monkeypatch.setattr(virtual_boards._Core, "tick", tick)
        code = run(["trigger", "hello", str(show), *port, "--speed", "0", *options])
        said = capsys.readouterr()
        return code, (said.out + said.err).splitlines()

    return play


def cut(player: Player) -> None:
    player.sample(player.levels ^ POWER)


def stall(player: Player) -> None:
    player.counts(0, 1000)


@HOW
def test_a_lost_servo_supply(trigger, how: tuple[str, ...]) -> None:
    code, lines = trigger(cut, *how)
    assert code == 3
    assert any("the servos lost their power: every pulse is off" in line for line in lines)
    assert "hello was not played to its end: the servos lost their power" in lines[-2]
    assert "fuse" in lines[-1]
    code, lines = trigger(cut, *how, "--json")
    assert code == 3
    assert json.loads("".join(lines[: lines.index("}") + 1]))["outcome"] == "without power"


@HOW
def test_a_trip_of_the_stall_guard(trigger, how: tuple[str, ...]) -> None:
    code, lines = trigger(stall, *how)
    assert code == 0
    (told,) = [line for line in lines if line.startswith("stall guard: current")]
    seconds = re.search(r"([0-9.]+) s into hello", told)
    assert seconds is not None
    # a figure that is taken over counts before its scene begins
    assert 0.5 < float(seconds.group(1)) < 0.02 * WHEN + 0.5
    assert re.match(r"board: servo supply [0-9.]+ A now", lines[-2])
    assert lines[-1] == "hello: played to its end"
