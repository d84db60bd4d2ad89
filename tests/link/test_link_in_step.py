"""`trigger` keeps the board in step with the host's clock while it follows a scene."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from sequencer.board import virtual_boards
from sequencer.board.clock import BoardClock
from sequencer.board.in_step import EVERY_S, InStep
from sequencer.board.link import LIVE_ANSWER_S, Link
from sequencer.board.virtual import VirtualBoard
from sequencer.cli.main import run
from sequencer.tables.extra_clock import clock_extra
from sequencer.tables.image import build_image
from tests.board.emulated_show import made_show
from tests.link.test_link_clock import virtual_link

#: A ceramic resonator's tolerance.
OFF_PPM = 5000.0
FRAME_US = 20_000


@pytest.fixture(scope="module")
def show(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shows") / "starter"
    assert run(["new", str(folder)]) == 0
    return folder


class Boards:
    """Every virtual board that a command opens is fast, and when its frames begin is noted."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, ppm: float) -> None:
        self.begins: list[int] = []
        self._make = partial(virtual_boards.make_board, clock_ppm=ppm)
        monkeypatch.setattr(virtual_boards, "make_board", self._made)

    def _made(self, *args, **options) -> tuple[VirtualBoard, Callable[[], None]]:
        board, save = self._make(*args, **options)
        begin = board._begin_frame

        def noted(core) -> None:
            self.begins.append(board.now_us)
            begin(core)

        board._begin_frame = noted  # type: ignore[method-assign]
        return board, save

    def drift_s(self, seconds: float) -> float:
        """By how much the last frames of so many seconds gained on the host's clock."""
        last = self.begins[-1]
        frames = [at for at in self.begins if last - at <= seconds * 1e6]
        return ((len(frames) - 1) * FRAME_US - (frames[-1] - frames[0])) / 1e6


@pytest.mark.parametrize("how", [("--loop", "8"), ("--stream",)], ids=["from memory", "streamed"])
def test_a_scene_on_a_fast_board_keeps_to_the_hosts_time(
    show: Path, tmp_path, monkeypatch, capsys, how: tuple[str, ...]
) -> None:
    state = ["--port", "virtual", "--state", str(tmp_path / "board.flash")]
    assert run(["flash", str(show), *state, "--json"]) == 0
    capsys.readouterr()
    boards = Boards(monkeypatch, OFF_PPM)
    trigger = ["trigger", "hello", str(show), *state, "--speed", "0", "--json", *how]
    assert run(trigger) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["outcome"] == "played"
    seconds = (boards.begins[-1] - boards.begins[0]) / 1e6
    last = min(seconds / 2, 20.0)
    assert abs(boards.drift_s(last)) < 0.003 < OFF_PPM / 1e6 * last / 3, (
        "left alone it gains three times so much"
    )


def frames_asked(link: Link) -> list[str]:
    """The names of all requests from now on."""
    names: list[str] = []
    inner = link._try

    def noted(name: str, *args, **options):
        names.append(name)
        return inner(name, *args, **options)

    link._try = noted  # type: ignore[method-assign]
    return names


@pytest.mark.parametrize("hasty", [False, True])
def test_it_corrects_every_few_seconds_however_often_it_is_called(hasty: bool) -> None:
    show, _ = made_show()
    link = virtual_link(build_image(show), OFF_PPM)
    names = frames_asked(link)
    step = InStep(link, hasty=hasty)
    end = link.now_s() + 60.0
    while link.now_s() < end:
        step.look()
        link.reports(0.05)
    assert names.count("host_time") == len(names)
    assert 2 * (60.0 / EVERY_S) - 2 <= len(names) <= 2 * (60.0 / EVERY_S) + 4, (
        "a question and a correction each"
    )
    assert step.clock is not None
    assert step.clock.fast_ppm == pytest.approx(OFF_PPM, abs=30)
    assert abs(step.clock.keep()) < 0.0015


def test_a_board_that_does_not_know_the_question_is_asked_once_and_goes_on(bench, flash_of) -> None:
    from sequencer.cli.trigger import _in_step

    rig = bench(flash_of())
    link = Link(rig.port)
    link.hello()
    link.wait_ready()
    step = InStep(link, -800)
    cue = link.cue(1)
    assert [each.outcome for each in _in_step(link.follow(cue, 1, every_s=0.02), step)][-1] == "played"
    for _ in range(10):
        link.reports(1.0)
        step.look()
    step.leave()
    assert step.clock is None
    assert [kind for kind, _ in rig.player.performed].count("host_time") == 1


def test_a_clock_that_jumped_is_begun_anew() -> None:
    """This computer slept, or the board was reset: what follows the scene tells that, not its clock."""
    show, _ = made_show()
    link = virtual_link(build_image(show), OFF_PPM)
    step = InStep(link)
    for _ in range(12):
        step.look()
        link.reports(1.0)
    before = step.clock
    assert before is not None
    link._port.reset()
    link._port.read(1000, 1.8)  # nobody hears the hello
    link.reports(EVERY_S)
    step.look()
    assert step.clock is not before
    for _ in range(12):
        step.look()
        link.reports(1.0)
    assert step.clock is not None
    assert step.clock.fast_ppm == pytest.approx(OFF_PPM, abs=60)


def test_a_calibrated_board_is_left_as_it_was_calibrated() -> None:
    from dataclasses import replace

    show, _ = made_show()
    extra = clock_extra(4000.0)
    assert extra is not None
    link = virtual_link(build_image(replace(show, extras=(extra,))), OFF_PPM)
    step = InStep(link, 1280)
    for _ in range(20):
        step.look()
        link.reports(1.0)
    assert step.clock is not None
    assert step.clock.trim == pytest.approx(1600, abs=12)
    step.leave()
    clock = BoardClock(link, 1280)
    clock.keep()
    link.reports(10.0)
    assert clock.keep() == pytest.approx(0.010, abs=0.001)  # the thousand millionths that the figure says


@pytest.mark.parametrize("lost", [1, 2])
@pytest.mark.parametrize("way", ["to_board", "to_host"])
def test_a_hasty_question_that_is_lost_costs_no_time_and_no_truth(lost: int, way: str) -> None:
    """The first: no correction this time. The second: nobody knows which trim counts, so it begins anew."""
    show, _ = made_show()
    link = virtual_link(build_image(show), OFF_PPM)
    clock = BoardClock(link)
    clock.glance()
    link.reports(1.0)
    passed = [0]

    def lose(data: bytes) -> bytes:
        passed[0] += 1
        return b"" if passed[0] == lost else data

    setattr(link._port.board.faults, way, lose)
    asked_s = link.now_s()
    told = clock.glance()
    assert (told is None) == (lost == 1)
    assert link.now_s() - asked_s < 2 * LIVE_ANSWER_S
    setattr(link._port.board.faults, way, None)
    for _ in range(4):
        link.reports(1.0)
        assert clock.glance() is not None
    assert clock.fast_ppm == pytest.approx(OFF_PPM, abs=300)
    for _ in range(4):
        link.reports(1.0)
        error = clock.glance()
        assert error is not None
        assert abs(error) < 0.003


def test_a_board_that_tells_the_time_and_cannot_be_trimmed_goes_on_as_well(monkeypatch) -> None:
    """As the portable sketch: its frames are the other library's."""
    from sequencer.player.player import Player

    counted = Player.frame_parts
    monkeypatch.setattr(Player, "frame_parts", lambda player: counted(player) and 320_000)
    show, _ = made_show()
    link = virtual_link(build_image(show), OFF_PPM)
    step = InStep(link)
    begun = step.clock
    for _ in range(60):
        step.look()
        link.reports(1.0)
    assert step.clock is begun
