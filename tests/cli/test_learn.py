"""From a scene that is played to a guard that knows it: learn, compile, stall, and what is told."""

from __future__ import annotations

import shutil
import tomllib
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.board.link import Link
from sequencer.board.reports import HOLD
from sequencer.board.virtual import VirtualBoard, VirtualTransport
from sequencer.cli.lesson import Lesson, trip_words
from sequencer.errors import SceneError, UsageError
from sequencer.event.learned import LearnedScene, read_learned, write_learned
from sequencer.figure import starter
from sequencer.player.player import Player
from sequencer.show import build_show, check_built
from sequencer.show_model import BuiltShow
from sequencer.tables.extra_guard import TAG, GuardContent, read_guard

RAIL = """
[inputs.rail]
pin = "A0"
kind = "current"
mv_per_a = 185
offset_mv = 2500
on_trip = "hold"
"""
BASE = 0x4000


class WithCurrent:
    """The core on a line, with a rail whose current follows the frame of the scene that plays."""

    def __init__(self, amperes: Callable[[int], float]) -> None:
        self.player = Player()
        self.amperes = amperes
        self.frame = 0

    def boot(self, image: bytes | None, reset_cause: int) -> object:
        return self.player.boot(image, reset_cause)

    def receive(self, data: bytes) -> None:
        self.player.receive(data)

    def transmit(self) -> bytes:
        return self.player.transmit()

    def tick(self) -> object:
        self.player.counts(0, round((2500 + 185 * self.amperes(self.frame)) * 1024 / 5000))
        row = self.player.tick()
        self.frame = int(row.frame[0]) if int(row.scene[0]) == 0 else 0
        return row

    def frame_parts(self) -> int:
        return self.player.frame_parts()

    def clock(self, slot: int, into: int) -> None:
        self.player.clock(slot, into)


def board_with(built: BuiltShow, amperes: Callable[[int], float]) -> Link:
    flash = bytearray(b"\xff" * 32768)
    flash[0:2] = b"\x0c\x94"  # any program
    flash[BASE : BASE + len(built.image)] = built.image
    board = VirtualBoard(
        flash,
        player_crc32=zlib.crc32(bytes(flash[:BASE])),
        image_base=BASE,
        make_player=lambda: WithCurrent(amperes),
    )
    return Link(VirtualTransport(board))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The starter show with a current sensor in its servo supply."""
    to = tmp_path_factory.mktemp("show") / "show"
    shutil.copytree(Path(starter.__file__).parent, to)
    with (to / "figure.toml").open("a") as out:
        out.write(RAIL)
    return to


def guard_in(built: BuiltShow) -> GuardContent:
    (content,) = (extra.content for extra in built.contents.extras if extra.tag == TAG)
    return read_guard(content, len(built.scene_names))


def amperes(frame: int) -> float:
    return 0.3 + (0.5 if 30 <= frame < 80 else 0.0)


def play(link: Link, built: BuiltShow, lesson: Lesson | None) -> tuple[str | None, list[str]]:
    link.hello()
    link.wait_ready()
    if lesson is not None:
        link.learn(True)
    outcome, told = None, []
    steps = link.follow(link.cue(0), 0)
    for step in lesson.watch(link, steps) if lesson is not None else steps:
        outcome = step.outcome or outcome
        told += [trip_words(built, trip) for trip in step.trips]
    if lesson is not None:
        lesson.finish(link)
    return outcome, told


def test_learned_compiled_and_tripped(folder: Path) -> None:
    built = build_show(folder)
    assert built.scene_names[0] == "hello"
    notes = [f for f in check_built(built).report.findings if "guard" in f.message]
    assert {f.scene for f in notes} == set(built.scene_names)
    assert all("never learned" in f.message and f.severity == "note" for f in notes)

    lesson = Lesson(built, 0)
    assert play(board_with(built, amperes), built, lesson) == ("played", [])
    said = lesson.save(folder)
    assert "rail at most 0.8" in said
    assert "were not seen" not in said
    learned = tomllib.loads((folder / "guard.toml").read_text())["scenes"]["hello"]["peak_a"]["rail"]
    # a step of the value is 0.0264 A here, or finer
    expected = [
        max(amperes(f) for f in range(s, s + 32)) for s in range(0, built.contents.scenes[0].frames, 32)
    ]
    first = next(i for i, value in enumerate(learned) if value >= 0)
    assert first <= 1, "only the fade into the scene hides anything"
    assert learned[first:] == pytest.approx(expected[first:], abs=0.06)

    again = build_show(folder)
    guard = guard_in(again)
    assert guard.limits[0] is not None
    (row,) = guard.limits[0]
    near = [max(learned[max(0, i - 1) : i + 2]) for i in range(len(learned))]
    limits = [value * guard.sensors[0].unit / 1000 for value in row]
    assert limits[first:] == pytest.approx(
        [1.3 * p + 0.3 for p in near[first:]], abs=guard.sensors[0].unit / 1000
    )
    assert row[:first] == b"\xff" * first
    assert play(board_with(again, amperes), again, None) == ("played", [])
    last = again.contents.scenes[0].frames

    def stalls(frame: int) -> float:
        return amperes(frame) + (1.2 if frame >= 60 else 0.0)

    link = board_with(again, stalls)
    outcome, told = play(link, again, None)
    assert last > 100
    assert outcome == "stopped"
    assert len(told) == 1
    assert "stall guard: rail stayed above its limit 1." in told[0]
    assert "into hello (frame " in told[0]
    assert 69 <= int(told[0].split("(frame ")[1].split(")")[0]) <= 75
    assert "every servo has no pulses until the board is reset" in told[0]
    for _ in range(10):
        link.reports(0.1)
    assert link.status().state == HOLD


def test_a_changed_scene_has_only_its_ceiling(folder: Path) -> None:
    built = build_show(folder)
    write_learned(folder, {"hello": LearnedScene("00000000", 32, {"rail": (0.5,) * 20})})
    built = build_show(folder)
    assert guard_in(built).limits == (None, None)
    found = [
        f.message for f in check_built(built).report.findings if f.scene == "hello" and "guard" in f.message
    ]
    assert found
    assert "changed since" in found[0]


def test_a_figure_without_a_sensor_learns_nothing(tmp_path: Path) -> None:
    shutil.copytree(Path(starter.__file__).parent, tmp_path / "show")
    with pytest.raises(UsageError, match="no current sensor"):
        Lesson(build_show(tmp_path / "show"), 0)


def test_a_damaged_guard_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "guard.toml").write_text("[scenes.hello]\npeak_a = 3\n")
    with pytest.raises(SceneError, match="learn the scenes again"):
        read_learned(tmp_path)
    scenes = {"a": LearnedScene("1234abcd", 64, {"rail": (0.1, -1.0), "turn": (2.0, 0.25)})}
    write_learned(tmp_path, scenes)
    assert read_learned(tmp_path) == scenes
