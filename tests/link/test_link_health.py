"""What `trigger` tells of the board at a scene's end, and that it is silent where there is nothing to say."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.board import virtual_boards
from sequencer.board.link import Link
from sequencer.board.reports import Telemetry
from sequencer.cli.board_health import Checkup, Health
from sequencer.cli.main import run

FINE = Health(0, 11.88, None, None, 0, 0)
QUIET = Telemetry(2, 0, 255, 1000, None, None, 65530, 190, 4)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, None),
        ({"late_frames": 1}, "board: 1 frame late (an interrupt came up to 11.9 us late)"),
        (
            {"late_frames": 3, "damaged_to_host": 1},
            "board: 3 frames late (an interrupt came up to 11.9 us late), "
            "1 damaged message on the line, asked again",
        ),
        ({"damaged_to_board": 2, "damaged_to_host": 5}, "board: 7 damaged messages on the line, asked again"),
        ({"supply_v": 5.024, "supply_a": 0.0}, "board: servo supply 5.02 V and 0.00 A now"),
        ({"supply_a": 1.5}, "board: servo supply 1.50 A now"),
    ],
)
def test_only_what_is_worth_a_line_is_told(changed: dict, words: str | None) -> None:
    assert replace(FINE, **changed).words == words


class Told:
    """A link whose telemetry is given."""

    def __init__(self, *answers: Telemetry) -> None:
        self.damaged_frames = 3
        self._answers = list(answers)

    def telemetry(self) -> Telemetry:
        return self._answers.pop(0)


def test_counts_are_those_of_the_scene_and_come_round_at_65536() -> None:
    link = Told(QUIET, replace(QUIET, late_frames=2, damaged=9, supply_mv=4980, supply_ma=730))
    checkup = Checkup(link)  # type: ignore[arg-type]
    link.damaged_frames = 5
    assert checkup.after() == Health(8, 11.88, 4.98, 0.73, 5, 2)


def test_a_board_that_tells_nothing_of_itself_has_no_health(bench, flash_of) -> None:
    link = Link(bench(flash_of()).port)
    link.hello()
    assert Checkup(link).after() is None


@pytest.fixture(scope="module")
def show(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shows") / "starter"
    assert run(["new", str(folder)]) == 0
    return folder


@pytest.mark.parametrize(("how", "every"), [((), 6), (("--stream",), 40)], ids=["from memory", "streamed"])
def test_a_damaged_line_is_told_at_the_end_and_a_sound_one_is_not(
    show: Path, tmp_path, monkeypatch, capsys, how: tuple[str, ...], every: int
) -> None:
    state = ["--port", "virtual", "--state", str(tmp_path / "board.flash")]
    assert run(["flash", str(show), *state, "--json"]) == 0
    trigger = ["trigger", "hello", str(show), *state, "--speed", "0", *how]
    capsys.readouterr()
    assert run(trigger) == 0
    assert "board:" not in capsys.readouterr().out

    make, passed = virtual_boards.make_board, [0]

    def spoilt(data: bytes) -> bytes:
        passed[0] += 1
        return bytes([data[0] ^ 0x40]) + data[1:] if passed[0] % every == 0 else data

    def noisy(*args, **options):
        board, save = make(*args, **options)
        board.faults.to_board = board.faults.to_host = spoilt
        return board, save

    monkeypatch.setattr(virtual_boards, "make_board", noisy)
    assert run(trigger) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[-2].startswith("board: ")
    assert "damaged message" in lines[-2]
    assert lines[-1] == "hello: played to its end"
    assert run([*trigger, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["telemetry"]
    assert set(told) == {
        "late_frames",
        "worst_latency_us",
        "supply_v",
        "supply_a",
        "damaged_to_board",
        "damaged_to_host",
    }
    assert told["damaged_to_board"] + told["damaged_to_host"] > 0
    assert (told["late_frames"], told["supply_v"], told["supply_a"]) == (0, None, None)
