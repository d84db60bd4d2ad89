"""Calibrating a figure's servos: keys to marks, marks to figure.toml, and on to a board that plays them."""

from __future__ import annotations

import io
import json
import shutil
import sys
import tomllib
from pathlib import Path

import pytest

from sequencer.board.calibrate import BACK_OFF_US, HELP, SEEK_US, STANDING, Calibration, picture
from sequencer.board.link import Link
from sequencer.cli.main import run
from sequencer.figure.read import read_figure
from sequencer.figure.rewrite import replace_file
from sequencer.show_folder import demo_folder


@pytest.fixture
def work(bench, flash_of):
    rig = bench(flash_of(image=None))
    link = Link(rig.port)
    link.hello()
    servo = read_figure(demo_folder()).servos["turn"]

    def start(current_a=None) -> Calibration:
        done = Calibration(link, servo, current_a)
        done.begin()
        return done

    return rig, start


def asked(rig) -> list[int]:
    return [fields["pulse_us"] for kind, fields in rig.player.performed if kind == "bench_servo"]


def test_it_begins_at_the_recorded_centre_and_steps_small(work) -> None:
    rig, start = work
    hand = start()
    for key in ("right", "left", "up", "down", "up", "c"):
        hand.press(key)
    assert asked(rig) == [1500, 1502, 1500, 1520, 1500, 1520, 1500]
    assert "centre 1500, ends 620..2380 us" in hand.before.line()


def test_a_search_goes_by_small_steps_until_a_key_and_backs_off(work) -> None:
    rig, start = work
    hand = start()
    hand.press(",")
    for _ in range(100):
        assert hand.tick() == ""
    steps = asked(rig)
    assert steps == [1500 - SEEK_US * n for n in range(101)]
    hand.press("x")  # any key
    assert asked(rig)[-1] == 1300 + BACK_OFF_US
    assert (hand.marks.low_us, hand.found) == (1300 + BACK_OFF_US, {"low_us": "key"})
    hand.press("u")
    assert hand.marks == hand.before


def test_a_search_ends_by_itself_where_the_current_rises(work) -> None:
    """A servo of 0.1 A standing still that meets its stop at 1800 us: it draws 1.1 A there."""
    rig, start = work
    hand = start(lambda: 0.1 + (1.0 if asked(rig)[-1] >= 1800 else 0.0))
    hand.press(".")
    ticks = 0
    while hand.seeking:
        hand.tick()
        ticks += 1
    assert max(asked(rig)) == 1800
    assert ticks == STANDING + (1800 - 1500) // SEEK_US + 1
    assert (hand.marks.high_us, hand.found["high_us"]) == (1800 - BACK_OFF_US, "current")


def test_no_search_leaves_the_servos_own_range(work) -> None:
    rig, start = work
    hand = start()
    hand.press(".")
    while hand.seeking:
        said = hand.tick()
    assert "no stop before" in said
    assert max(asked(rig)) == 2500
    assert hand.marks == hand.before


@pytest.mark.parametrize("key", ["q", "esc", "end", "0"])
def test_what_ends_a_search_ends_the_pulses_and_records_nothing(work, key: str) -> None:
    rig, start = work
    hand = start()
    hand.press(".")
    hand.tick()
    hand.press(key)
    assert asked(rig)[-1] == 0
    assert hand.marks == hand.before
    assert not hand.seeking


def test_marks_that_contradict_each_other_are_not_written(work) -> None:
    _, start = work
    hand = start()
    hand.press("l")
    hand.press("up")
    hand.press("m")
    hand.press("left")
    hand.press("h")
    assert "the centre (1520 us) is not between the ends" in hand.press("n")
    assert hand.outcome is None
    hand.press("m")
    hand.press("n")
    assert hand.outcome == "write"
    assert (hand.marks.centre_us, hand.marks.ends_us) == (1518, (1500, 1518))


def test_lines_fit_eighty_columns(work) -> None:
    _, start = work
    hand = start()
    shown = [HELP, hand.line(), hand.press(","), hand.press("x"), hand.press("h"), hand.press("u")]
    lines = [line for text in shown for line in text.split("\n")]
    assert max(map(len, lines)) <= 80
    assert all(line == line.rstrip() for line in lines)


def test_the_picture_shows_ends_centre_and_place() -> None:
    from sequencer.board.bench import Range
    from sequencer.board.calibrate import Marks

    reach = Range(500, 1500, 2500)
    assert picture(reach, Marks(1500, 1000, 2000), 1700, 21) == "500 -----[====|=*==]----- 2500"
    assert picture(reach, Marks(None, None, None), None, 21) == "500 --------------------- 2500"


# -- the command, on the virtual board with the real player ----------------------------------------


@pytest.fixture
def typed(monkeypatch):
    def type_(words: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO(words))

    return type_


@pytest.fixture
def keeper(tmp_path) -> Path:
    folder = tmp_path / "keeper"
    folder.mkdir()
    shutil.copy(demo_folder() / "figure.toml", folder)
    return folder


def test_only_the_values_change_in_the_file(keeper: Path, tmp_path, typed, capsys) -> None:
    before = (keeper / "figure.toml").read_text()
    typed("enter right right m . wait wait space u n\n")
    board = ["--port", "virtual", "--state", str(tmp_path / "flash"), "--yes"]
    assert run(["calibrate", str(keeper), "--only", "turn", *board, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["servos"]["turn"]["outcome"] == "written"
    assert said["servos"]["turn"]["before"] == {"centre_us": 1500, "ends_us": [620, 2380]}
    assert said["servos"]["turn"]["after"] == {"centre_us": 1504, "ends_us": [620, 2380]}
    assert said["flash_again"] is True
    after = (keeper / "figure.toml").read_text()
    assert after == before.replace(
        "centre_us = 1500\nends_us = [620, 2380] ", "centre_us = 1504\nends_us = [620, 2380] "
    )
    assert after != before
    assert not list(keeper.glob(".*")), "no temporary file stays"


def test_ends_that_the_axis_does_not_fit_are_told_and_not_written(
    keeper: Path, tmp_path, typed, capsys
) -> None:
    before = (keeper / "figure.toml").read_bytes()
    typed("enter down l up up h n\n")
    board = ["--port", "virtual", "--state", str(tmp_path / "flash"), "--yes"]
    assert run(["calibrate", str(keeper), "--only", "turn", *board]) == 2
    said = capsys.readouterr()
    assert "ends_us = [1480, 1520]" in said.out
    assert "range_deg" in said.out
    assert "turn" in said.err
    assert (keeper / "figure.toml").read_bytes() == before


def test_keeping_and_ending_leave_the_file_alone(keeper: Path, tmp_path, typed, capsys) -> None:
    before = (keeper / "figure.toml").read_bytes()
    board = ["--port", "virtual", "--state", str(tmp_path / "flash"), "--yes"]
    typed("enter right m o o enter right m q\n")
    assert run(["calibrate", str(keeper), *board, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert {name: each["outcome"] for name, each in said["servos"].items()} == {
        "turn": "kept",
        "neck_left": "kept",
    }
    assert said["flash_again"] is False
    assert (keeper / "figure.toml").read_bytes() == before


def test_a_power_cut_while_writing_leaves_the_old_file(keeper: Path, monkeypatch) -> None:
    file = keeper / "figure.toml"
    before = file.read_bytes()

    def cut(self, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", cut)
    with pytest.raises(Exception, match="No space left"):
        replace_file(file, "half")
    assert file.read_bytes() == before
    assert [path.name for path in keeper.iterdir()] == ["figure.toml"]


def test_an_unknown_servo_and_a_figure_with_faults_are_refused(keeper: Path, tmp_path, typed, capsys) -> None:
    typed("")
    state = tmp_path / "flash"
    board = ["--port", "virtual", "--state", str(state), "--yes"]
    assert run(["calibrate", str(keeper), "--only", "neck_lift", *board]) == 2
    assert "did you mean `neck_left`" in capsys.readouterr().err
    file = keeper / "figure.toml"
    file.write_text(file.read_text().replace("centre_us = 1500", "centre_us = 15000"))
    assert run(["calibrate", str(keeper), *board]) == 2
    assert "centre_us" in capsys.readouterr().err
    assert not state.exists(), "no board was touched"


def test_a_swapped_servo_calibrate_compile_flash(tmp_path, typed, capsys) -> None:
    """The whole road: the board then plays about the new centre and carries the new show, whole."""
    show = tmp_path / "starter"
    state = ["--port", "virtual", "--state", str(tmp_path / "flash")]
    assert run(["new", str(show)]) == 0
    assert run(["flash", str(show), *state]) == 0
    name, servo = next(iter(read_figure(show).servos.items()))
    typed("enter up right m n\n")
    capsys.readouterr()
    assert run(["calibrate", str(show), "--only", name, *state]) == 0
    said = capsys.readouterr().out
    assert "it stays there, laid down until a reset" in said
    assert "quarterjack flash" in said
    table = tomllib.loads((show / "figure.toml").read_text())["servos"][name]
    assert table["centre_us"] == servo.centre_us + 22
    assert run(["compile", str(show), "-o", str(tmp_path / "out"), "--json"]) == 0
    crc = json.loads(capsys.readouterr().out)["image_crc32"]
    assert run(["flash", str(show), *state, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["image_crc32"] == crc
    from sequencer.board.virtual_boards import open_virtual

    port = open_virtual(tmp_path / "flash")
    with Link(port) as link:
        assert link.hello().image_crc == int(crc, 16)
        link.wait_ready()
        image = port.board._core._player.image
        track = int.from_bytes(image[32:36], "little")
        origin = int.from_bytes(image[track + 4 : track + 6], "little")
        assert origin == round(servo.centre_us + 22)


def test_the_board_tells_what_it_was_calibrated_for(tmp_path, typed, capsys) -> None:
    """A folder taken from an older copy: the board remembers otherwise; a spare board has nothing to say."""
    show = tmp_path / "starter"
    state = ["--port", "virtual", "--state", str(tmp_path / "flash")]
    assert run(["new", str(show)]) == 0
    older = (show / "figure.toml").read_text()
    name, servo = next(iter(read_figure(show).servos.items()))
    typed("enter up right m n\n")
    capsys.readouterr()
    assert run(["calibrate", str(show), "--only", name, *state, "--yes", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["copy_written"] is True
    assert run(["flash", str(show), *state, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["other_calibration"] == []
    (show / "figure.toml").write_text(older)
    assert run(["flash", str(show), *state]) == 0
    said = capsys.readouterr().out
    assert "last calibrated for other values" in said
    assert f"board centre {servo.centre_us + 22:g}" in said
    spare = ["--port", "virtual", "--state", str(tmp_path / "spare")]
    assert run(["flash", str(show), *spare, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["other_calibration"] == []


# -- the clock -------------------------------------------------------------------------------------


@pytest.fixture
def clocked(monkeypatch):
    """The ports that the command opens are virtual boards whose clocks are off by so much."""
    from sequencer.board import connect
    from sequencer.board.virtual import VirtualTransport
    from sequencer.board.virtual_boards import make_board

    def off(ppm: float) -> None:
        def open_port(port, **options):
            board, save = make_board(options["state"], clock_ppm=ppm)
            return VirtualTransport(board, on_change=save)

        monkeypatch.setattr(connect, "open_port", open_port)

    return off


@pytest.mark.parametrize("ppm", [-4000.0, 700.0])
def test_the_clock_is_measured_and_written(
    keeper: Path, tmp_path, clocked, typed, capsys, ppm: float
) -> None:
    clocked(ppm)
    state = ["--port", "virtual", "--state", str(tmp_path / "flash")]
    typed("q\n")
    assert run(["bench", *state, "--yes"]) == 0
    before = (keeper / "figure.toml").read_text()
    capsys.readouterr()
    assert run(["calibrate", str(keeper), "--clock", "--seconds", "30", *state, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert abs(said["clock_ppm"] - ppm) <= said["doubt_ppm"] + 1
    assert said["doubt_ppm"] < 100
    after = (keeper / "figure.toml").read_text()
    assert after.replace(f"clock_ppm = {said['clock_ppm']}\n", "") == before
    assert read_figure(keeper).board.clock_ppm == said["clock_ppm"]


def test_a_clock_that_cannot_be_is_not_written(keeper: Path, tmp_path, clocked, typed, capsys) -> None:
    clocked(12000.0)
    state = ["--port", "virtual", "--state", str(tmp_path / "flash")]
    typed("q\n")
    assert run(["bench", *state, "--yes"]) == 0
    before = (keeper / "figure.toml").read_bytes()
    assert run(["calibrate", str(keeper), "--clock", "--seconds", "10", *state]) == 3
    assert "clock_ppm" in capsys.readouterr().err
    assert (keeper / "figure.toml").read_bytes() == before
    assert run(["calibrate", str(keeper), "--clock", "--only", "turn", *state]) == 2
