"""The bench: keys to pulses, what it records, what it refuses; and the commands around a virtual board."""

from __future__ import annotations

import io
import json
import os
import random
import subprocess
import sys
import tomllib

import pytest

from sequencer.board.bench import HELP, Jog, pin_number
from sequencer.board.link import Link
from sequencer.board.virtual_boards import fresh_virtual, open_virtual
from sequencer.cli.main import run
from sequencer.errors import UsageError


@pytest.fixture
def jog(bench, flash_of):
    rig = bench(flash_of(image=None))
    link = Link(rig.port)
    link.hello()
    return rig, Jog(link, "servo", 9)


def asked(rig) -> list[dict]:
    return [fields for kind, fields in rig.player.performed if kind == "bench_servo"]


def test_keys_move_by_small_and_big_steps_within_the_range(jog) -> None:
    rig, hand = jog
    assert hand.start() == "D9: 1500 us"
    for key in ("right", "+", "up", "]", "left", "[", "c"):
        hand.press(key)
    assert [fields["pulse_us"] for fields in asked(rig)] == [1500, 1505, 1510, 1560, 1610, 1605, 1555, 1500]
    for _ in range(40):
        hand.press("up")
    assert asked(rig)[-1] == {"pin": 9, "pulse_us": 2500}


def test_the_horn_is_told_of_once_at_the_centre(jog) -> None:
    _, hand = jog
    hand.start()
    assert "fit the horn" in hand.press("c")
    assert "fit the horn" not in hand.press("c")


def test_recorded_ends_become_lines_to_paste(jog) -> None:
    _, hand = jog
    hand.start()
    for key in ("m", "down", "down", "l", *["up"] * 5, "h"):
        hand.press(key)
    table = tomllib.loads(hand.figure_lines("nod"))
    assert table == {"servos": {"nod": {"pin": "D9", "centre_us": 1500, "ends_us": [1400, 1650]}}}
    assert hand.problems() == []


def test_ends_the_wrong_way_round_are_said_at_once(jog) -> None:
    _, hand = jog
    hand.start()
    hand.press("l")
    hand.press("down")
    assert "not below the high end" in hand.press("h")
    # And they do not become lines to paste: the reason stands in their place.
    assert hand.ends_us is None
    assert tomllib.loads(hand.figure_lines("nod")) == {"servos": {"nod": {"pin": "D9", "centre_us": 1500}}}
    assert "the low end (1500 us) is not below the high end" in hand.figure_lines()
    hand.press("down")
    hand.press("l")
    assert hand.ends_us == (1400, 1450)
    assert "ends_us = [1400, 1450]" in hand.figure_lines()


def test_one_end_alone_is_not_enough(jog) -> None:
    _, hand = jog
    hand.start()
    hand.press("l")
    assert "ends_us =" not in hand.figure_lines()
    assert "the high end (h) was not recorded" in hand.figure_lines()


def test_lines_of_the_bench_fit_eighty_columns(jog) -> None:
    _, hand = jog
    hand.start()
    shown = [*HELP.values(), hand.press("c"), hand.press("l"), hand.press("down"), hand.press("h")]
    lines = [line for text in [*shown, hand.figure_lines("nod")] for line in text.split("\n")]
    assert max(map(len, lines)) <= 80
    assert all(line == line.rstrip() for line in lines)


@pytest.mark.parametrize(("typed", "number"), [("9", 9), ("D9", 9), (" d10", 10), ("A0", 14), ("a5", 19)])
def test_a_pin_is_written_as_on_the_board_or_as_its_number(typed: str, number: int) -> None:
    assert pin_number(typed) == number


@pytest.mark.parametrize("typed", ["", "D", "B3", "D-1", "9.5", "D9999", "\u0663"])
def test_what_is_no_pin_is_refused(typed: str) -> None:
    with pytest.raises(UsageError, match="is not a pin"):
        pin_number(typed)


def test_nothing_is_recorded_while_there_are_no_pulses(jog) -> None:
    rig, hand = jog
    hand.start()
    assert hand.press("0") == "D9: no pulses"
    assert asked(rig)[-1]["pulse_us"] == 0
    assert "not at a known place" in hand.press("l")
    assert hand.figure_lines() == ""


def test_an_unknown_key_shows_the_help_and_q_quits(jog) -> None:
    _, hand = jog
    assert hand.press("x") == f"'x' is no key here\n{HELP['servo']}"
    assert hand.press("wiggle").startswith("'wiggle' is no key here")
    assert hand.press("q") is None


def test_a_lamp_goes_by_lightness(bench, flash_of) -> None:
    rig = bench(flash_of(image=None))
    link = Link(rig.port)
    link.hello()
    hand = Jog(link, "lamp", 5)
    assert hand.start() == "D5: 50 % lightness"
    assert hand.press("up") == "D5: 60 % lightness"
    assert hand.press("l") == f"'l' is no key here\n{HELP['lamp']}"
    assert hand.press("0") == "D5: off"
    sent = [fields for kind, fields in rig.player.performed if kind == "bench_lamp"]
    assert [fields["lightness"] for fields in sent] == [100, 120, 0]


# -- the command, on the virtual board with the real player ----------------------------------------


@pytest.fixture
def typed(monkeypatch):
    def type_(words: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO(words))

    return type_


def test_bench_on_a_board_with_a_strange_program_asks_first(tmp_path, typed, capsys) -> None:
    typed("q\n")
    state = tmp_path / "flash"
    assert run(["bench", "--port", "virtual", "--state", str(state)]) == 2
    assert "--yes" in capsys.readouterr().err
    assert not state.exists()


def test_bench_by_words_from_stdin_ends_in_one_json_object(tmp_path, typed, capsys) -> None:
    state = tmp_path / "flash"
    typed("right m down l up up\nh q\n")
    arguments = ["bench", "--port", "virtual", "--state", str(state), "--yes", "--json", "--pin", "8"]
    assert run(arguments) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["pin"], said["centre_us"], said["ends_us"]) == (8, 1505, [1455, 1555])
    assert 'pin = "D8"' in said["figure_lines"]
    # The bare player stayed on the board: a second bench asks nothing.
    typed("q\n")
    assert run(["bench", "--port", "virtual", "--state", str(state), "--json"]) == 0


def test_bench_says_how_it_ended_and_takes_the_boards_own_pin_names(tmp_path, typed, capsys) -> None:
    arguments = ["bench", "--port", "virtual", "--state", str(tmp_path / "flash"), "--yes", "--pin", "D10"]
    typed("wiggle right m")
    assert run(arguments) == 0
    said = capsys.readouterr().out
    assert "servo on D10 of " in said
    assert "'wiggle' is no key here" in said
    assert "end of input; stopped: D10: no pulses" in said
    assert 'pin = "D10"' in said
    assert all(line == line.rstrip() for line in said.split("\n"))
    typed("q\n")
    assert run(["bench", *arguments[1:-1], "d11", "--kind", "lamp"]) == 0
    said = capsys.readouterr().out
    assert "end of input" not in said
    assert "stopped: D11: off" in said


def test_help_of_the_bench_says_what_yes_removes_and_that_the_figure_goes_limp(capsys) -> None:
    assert run(["bench", "--help"]) == 0
    said = " ".join(capsys.readouterr().out.replace("\u2502", " ").split())
    assert "runs something else, which removes that" in said
    assert "its head may fall" in said


@pytest.mark.parametrize(("command", "flag"), [("virtual", "blank"), ("flash", "force"), ("bench", "yes")])
def test_a_flag_has_no_opposite(command: str, flag: str, capsys) -> None:
    assert run([command, "--help"]) == 0
    said = capsys.readouterr().out
    assert f"--{flag}" in said
    assert f"--no-{flag}" not in said


def test_bench_refuses_an_unknown_kind(capsys) -> None:
    assert run(["bench", "--port", "virtual", "--kind", "motor"]) == 2
    assert "servo or lamp" in capsys.readouterr().err


@pytest.mark.parametrize(("kind", "pin"), [("servo", "13"), ("lamp", "7")])
def test_a_pin_that_cannot_is_refused_before_anything_is_uploaded(tmp_path, kind, pin, capsys) -> None:
    state = tmp_path / "flash"
    arguments = ["bench", "--port", "virtual", "--state", str(state), "--yes", "--kind", kind, "--pin", pin]
    assert run(arguments) == 2
    assert f"pin D{pin} of the Arduino Uno cannot serve a {kind}" in capsys.readouterr().err
    assert not state.exists()


def test_the_real_core_hears_the_bench(tmp_path) -> None:
    from sequencer.cli.bench_board import on_bench

    port = fresh_virtual()
    on_bench(port, "uno", True, lambda line: None)
    link = Link(port)
    assert link.hello().image_crc == 0
    hand = Jog(link, "servo", 7)
    hand.start()
    hand.press("up")
    assert port.board._core._player.bench_pulse_us(7) == 1550


@pytest.mark.parametrize("seed", range(6))
def test_the_real_core_on_a_bad_line_does_what_was_acknowledged(seed: int) -> None:
    from sequencer.cli.bench_board import on_bench
    from sequencer.errors import LinkError

    port = fresh_virtual()
    on_bench(port, "uno", True, lambda line: None)
    link = Link(port)
    link.hello()
    chance = random.Random(seed)

    def spoil(data: bytes) -> bytes:
        dice = chance.random()
        if dice < 0.02:
            return b""
        if dice < 0.04:
            return data + data
        if dice < 0.06:
            at = chance.randrange(len(data))
            return data[:at] + bytes((data[at] ^ 1 << chance.randrange(8),)) + data[at + 1 :]
        return data

    port.board.faults.to_board = spoil
    port.board.faults.to_host = spoil
    acknowledged = 0
    for pulse in range(1000, 1030):
        try:
            link.bench_servo(9, pulse)
        except LinkError:
            continue
        acknowledged += 1
        assert port.board._core._player.bench_pulse_us(9) == pulse
    assert acknowledged > 20


def test_ports_prints_one_json_object(capsys) -> None:
    assert run(["ports", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["schema"] == 1
    assert all({"device", "what", "usb", "serial_number"} == set(item) for item in said["ports"])


def test_a_state_file_of_another_kind_is_refused_without_a_traceback(tmp_path, typed, capsys) -> None:
    typed("q\n")
    wrong = tmp_path / "notes"
    wrong.write_text("hello")
    assert run(["bench", "--port", "virtual", "--state", str(wrong)]) == 2
    assert "not the flash of a virtual board" in capsys.readouterr().err
    assert wrong.read_text() == "hello"


def test_bench_does_not_take_a_show_off_a_board_unasked(bench, flash_of) -> None:
    from sequencer.cli.bench_board import on_bench

    content = flash_of()
    rig = bench(content)
    with pytest.raises(UsageError, match="carries the show of 'keeper'"):
        on_bench(rig.port, "uno", False, lambda line: None)
    assert bytes(rig.board.flash) == content


def test_two_processes_see_one_virtual_board(tmp_path) -> None:
    from sequencer.cli.bench_board import on_bench

    state = tmp_path / "flash"
    first = open_virtual(state)
    on_bench(first, "uno", True, lambda line: None)
    first.close()
    second = open_virtual(state)
    assert Link(second).hello().fault == 1


# -- keys ------------------------------------------------------------------------------------------


def test_words_from_a_pipe_are_keys_and_its_end_is_told() -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from sequencer.cli.keys import keys\n"
            "with keys() as pressed:\n"
            "    while (key := pressed.read(5)) not in (None, 'end'): print(key)",
        ],
        input=b"left c\nup",
        capture_output=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.split() == [b"left", b"c", b"up"]
    assert done.stderr == b""


@pytest.mark.skipif(os.name == "nt", reason="terminals there are another thing")
def test_terminal_keys_have_names() -> None:
    from sequencer.cli.keys import _TerminalKeys

    read, write = os.pipe()
    os.write(write, b"\x1b[A\x1b[D c\x1bOC\r")
    pressed = _TerminalKeys(read)
    assert [pressed.read(0.1) for _ in range(6)] == ["up", "left", "space", "c", "right", "enter"]
    assert pressed.read(0.0) is None
    os.close(write)
    assert pressed.read(0.1) == "end"
    os.close(read)
