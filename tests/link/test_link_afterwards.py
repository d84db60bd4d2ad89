"""What `trigger` makes of a figure once the scene is over: idle, hold, bed; and how it gets out of a hold."""

from __future__ import annotations

import contextlib
import dataclasses
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from sequencer.board import connect
from sequencer.board.chips import CHIPS
from sequencer.board.flash import flash_board
from sequencer.board.link import Link
from sequencer.board.virtual import VirtualBoard, VirtualTransport
from sequencer.board.virtual_boards import fresh_virtual
from sequencer.cli import keys
from sequencer.cli.afterwards import Then, can_end_so, caution
from sequencer.cli.main import run
from sequencer.errors import UsageError
from sequencer.figure.balance import fall_when_parked
from sequencer.figure.read import read_figure
from sequencer.player.player import Played, Player, State
from sequencer.show import build_show
from sequencer.show_model import BuiltShow

STOP, POWER = 1, 2
#: Levels of the starter's inputs with all three of them: nobody at the button, not stopped, powered.
CALM, PRESSED, UNPOWERED = 0b111, 0b101, 0b011


@pytest.fixture(scope="module")
def show(tmp_path_factory) -> Path:
    """The starter with its stop and its supply's input, and somewhere else to be parked than at home."""
    folder = tmp_path_factory.mktemp("shows") / "starter"
    assert run(["new", str(folder)]) == 0
    file = folder / "figure.toml"
    text = file.read_text()
    for name in ("halt", "power"):
        start = text.index(f"# [inputs.{name}]")
        end = text.index("\n\n", start) if name == "power" else text.index("\n#\n", start)
        lines = [line.removeprefix("# ") for line in text[start:end].splitlines()]
        text = text[:start] + "\n".join(lines) + text[end:].replace("#\n", "\n", 1 if name == "halt" else 0)
    text = text.replace("range_deg = [-20, 25]", "range_deg = [-20, 25]\nparked_deg = 12")
    file.write_text(text)
    return folder


@pytest.fixture(scope="module")
def built(show: Path) -> BuiltShow:
    return build_show(show)


class Figure:
    """A virtual board that goes on while commands come and go: opening its port does not reset it."""

    def __init__(self, built: BuiltShow) -> None:
        port = fresh_virtual()
        flash_board(port, built.flash_bytes, built.image_crc32, built.player_crc32, chip=CHIPS["uno"])
        self.board: VirtualBoard = port.board
        self.player: Player = self.board._core._player  # type: ignore[union-attr]
        self.rows: list[Played] = []
        self.at: Callable[[Played], None] = lambda row: None
        tick = self.player.tick

        def watched() -> Played:
            row = tick()
            self.rows.append(row)
            self.at(row)
            return row

        self.player.tick = watched  # type: ignore[method-assign]

    def open(self, *_args: object, **_kwargs: object) -> VirtualTransport:
        return VirtualTransport(self.board)

    @property
    def state(self) -> State:
        return State(int(self.rows[-1].state[0]))

    @property
    def pulses(self) -> list[int]:
        return [int(pulse) for row in self.rows[-1:] for pulse in row.pulse_sixteenths[0]]


@pytest.fixture
def figure(built: BuiltShow, monkeypatch) -> Figure:
    made = Figure(built)
    monkeypatch.setattr(connect, "open_port", made.open)
    return made


def triggered(show: Path, *more: str) -> int:
    return run(["trigger", "hello", str(show), "--port", "virtual", "--speed", "0", *more])


def test_by_default_it_idles_on(show: Path, figure: Figure, capsys) -> None:
    assert triggered(show, "--json") == 0
    assert json.loads(capsys.readouterr().out)["state"] == "idle"
    assert figure.state is State.IDLE


@pytest.mark.parametrize("streamed", [(), ("--stream",)], ids=["stored", "streamed"])
def test_parked_he_is_where_he_lies_and_nothing_has_pulses(
    show: Path, built: BuiltShow, figure: Figure, streamed: tuple[str, ...], capsys
) -> None:
    assert triggered(show, "--then", "park", *streamed) == 0
    said = capsys.readouterr().out
    assert figure.state is State.HOLD
    assert figure.pulses == [0, 0]
    for track, record in enumerate(built.contents.tracks):
        parked = 16 * (record.origin_us + record.parked * 2.0**-record.lsb_exponent)
        assert figure.player.standing_sixteenths(track) == pytest.approx(parked, abs=1)
    assert said.index("played to its end") < said.index("parking") < said.index("safe now to switch")
    assert triggered(show, *streamed) == 2
    assert "it was parked" in capsys.readouterr().err
    assert triggered(show, "--resume", "--then", "park", "--json", *streamed) == 0
    ended = json.loads(capsys.readouterr().out)
    assert (ended["outcome"], ended["state"]) == ("played", "parked")


def test_safe_is_told_once_the_pulses_have_ended_and_not_before(
    show: Path, figure: Figure, monkeypatch
) -> None:
    from rich.console import Console

    told: list[tuple[str, list[int]]] = []
    monkeypatch.setattr(Console, "print", lambda self, line, **_: told.append((line, figure.pulses)))
    assert triggered(show, "--then", "park") == 0
    parking = next(pulses for line, pulses in told if line.startswith("parking"))
    safe = next(pulses for line, pulses in told if "safe now" in line)
    assert all(parking)
    assert not any(safe)


def test_a_hold_stays_until_it_is_told_to_end(show: Path, figure: Figure, capsys) -> None:
    assert triggered(show, "--then", "hold", "--json") == 0
    assert json.loads(capsys.readouterr().out)["state"] == "hold"
    assert figure.state is State.HOLD
    assert all(figure.pulses)
    stands = np.concatenate([row.velocity for row in figure.rows[-2:]])
    assert not stands.any()
    assert triggered(show) == 2
    said = capsys.readouterr().err
    assert "the figure is in hold" in said
    assert "parked" not in said
    assert f"quarterjack trigger hello {show} --port virtual --resume" in said
    assert figure.state is State.HOLD
    assert triggered(show, "--resume", "--json") == 0
    assert json.loads(capsys.readouterr().out)["outcome"] == "played"


def test_a_stop_that_is_still_pressed_keeps_the_hold_and_is_named(show: Path, figure: Figure, capsys) -> None:
    figure.player.sample(PRESSED)
    assert triggered(show) == 2
    assert "in hold" in capsys.readouterr().err
    assert triggered(show, "--resume") == 3
    assert "a stop input is still active" in capsys.readouterr().err
    figure.player.sample(CALM)
    assert triggered(show, "--resume", "--json") == 0
    assert json.loads(capsys.readouterr().out)["state"] == "idle"


def test_a_stop_pressed_while_parked_changes_nothing(show: Path, figure: Figure, capsys) -> None:
    """The board goes on telling that it has parked, in every frame."""
    assert triggered(show, "--then", "park") == 0
    figure.player.sample(PRESSED)
    link = Link(figure.open())
    link.hello(quiet_s=0.0)
    for _ in range(40):
        assert link.status().state_words == "parked"
        link.reports(0.013)


def test_a_supply_lost_on_the_way_to_bed_is_not_told_as_parked(show: Path, figure: Figure, capsys) -> None:
    def cut(row: Played) -> None:
        if row.state[0] == State.HOLD and row.velocity.any():
            figure.player.sample(UNPOWERED)

    figure.at = cut
    assert triggered(show, "--then", "park") == 3
    said = capsys.readouterr()
    assert "lost their power" in said.err
    assert "safe now" not in said.out


def test_a_stop_by_key_is_the_end_whatever_was_to_come_then(
    show: Path, figure: Figure, capsys, monkeypatch
) -> None:
    class Space:
        def read(self, timeout_s: float) -> str:
            return "space"

    @contextlib.contextmanager
    def pressed(**_: object) -> Iterator[Space]:
        yield Space()

    monkeypatch.setattr(keys, "keys", pressed)
    assert triggered(show, "--then", "park") == 0
    said = capsys.readouterr().out
    assert "stopped by hold" in said
    assert "does not park of itself; the board is in hold" in said
    assert "safe now" not in said
    assert figure.state is State.HOLD
    assert all(figure.pulses)


def test_what_never_ends_has_no_then(show: Path, figure: Figure, capsys) -> None:
    assert triggered(show, "--loop", "0", "--then", "park") == 2
    assert "no last turn" in capsys.readouterr().err


def test_a_show_without_a_way_to_bed_is_told_before_anything_moves(built: BuiltShow) -> None:
    can_end_so(Then.PARK, built)
    lost = dataclasses.replace(built, table=dataclasses.replace(built.table, park_frames=None))
    can_end_so(Then.HOLD, lost)
    with pytest.raises(UsageError, match="no proven way to the parked pose"):
        can_end_so(Then.PARK, lost)


def test_a_head_that_gravity_takes_from_the_parked_pose_is_named(show: Path, tmp_path) -> None:
    """By hand: the head's middle lies 8 mm before the nod's line and 15 mm above it, so it pulls down."""
    figure = read_figure(show)
    assert fall_when_parked(figure) == ["nod"]
    (words,) = caution(Then.PARK, figure)
    assert words is not None
    assert "Falling head" in words
    assert "`nod` has no pulses" in words
    assert list(caution(Then.HOLD, figure)) == []
    balanced = tmp_path / "figure.toml"
    text = (show / "figure.toml").read_text()
    # The same head with its middle on the line.
    assert text.count("at_mm = [8, 0, 45]") == 1
    balanced.write_text(text.replace("at_mm = [8, 0, 45]", "at_mm = [0, 0, 30]"))
    assert fall_when_parked(read_figure(balanced)) == []
    assert list(caution(Then.PARK, read_figure(balanced))) == []
