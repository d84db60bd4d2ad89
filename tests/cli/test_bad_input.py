"""Every bad input of the first road, through the command line.

What is said, the exit code, nothing half written. One table: each row changes a copy of the Lantern
Keeper, runs one command, and names the words that must be there: what is wrong, where, the limit,
the remedy.
"""

from __future__ import annotations

import errno
import shutil
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from sequencer.cli.main import run
from sequencer.show_folder import demo_folder

Edit = Callable[[Path], None]


def replace(file: str, old: str, new: str) -> Edit:
    """Replace ``old``, which must be there exactly as it stands, once."""

    def edit(show: Path) -> None:
        path = show / file
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{file} no longer holds {old!r}"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return edit


def write(file: str, text: str) -> Edit:
    def edit(show: Path) -> None:
        (show / file).write_text(text, encoding="utf-8")

    return edit


def both(first: Edit, second: Edit) -> Edit:
    def edit(show: Path) -> None:
        first(show)
        second(show)

    return edit


def nothing(_show: Path) -> None:
    """The show stays as it is."""


@dataclass(frozen=True)
class Case:
    name: str
    edit: Edit
    command: tuple[str, ...]
    exit_code: int
    says: tuple[str, ...]
    fixtures: tuple[str, ...] = field(default=())


def busy_scene(seconds: int) -> str:
    """A scene that moves every axis all the time, and so costs the most bytes."""
    lines = ["scene long"]
    for second in range(0, seconds, 2):
        sign = ("left", "right") if second % 4 else ("right", "left")
        clock = f"{second // 60}:{second % 60:02d}"
        lines.append(f"{clock}  turn {sign[0]} {30 + second % 7}, brisk")
        lines.append(f"{clock}  tilt {sign[1]} {10 + second % 5}, brisk")
        lines.append(f"{clock}  nod sways {3 + second % 3} for 1.9s")
        lines.append(
            f"{clock}  jaw sways 6 for 1.9s every 0.25s" if second else f"{clock}  jaw open 12, brisk"
        )
    return "\n".join(lines) + "\n"


CASES = [
    Case(
        "unknown key",
        replace("figure.toml", "stall_kgcm = 15", "stall_kgcmm = 15"),
        ("check",),
        2,
        ("figure.toml", "stall_kgcmm", "did you mean `stall_kgcm`", "do:"),
    ),
    Case(
        "wrong unit",
        replace("figure.toml", "speed_s_per_60deg = 0.16", "speed_ms_per_60deg = 160"),
        ("check",),
        2,
        ("figure.toml", "speed_ms_per_60deg", "wrong unit", "seconds for 60 degrees"),
    ),
    Case(
        "two servos on one pin",
        replace("figure.toml", 'pin = "D8"', 'pin = "D7"'),
        ("check",),
        2,
        ("figure.toml", "D7", "servos.turn", "servos.neck_left", "do:"),
    ),
    Case(
        "a pin the link owns",
        replace("figure.toml", 'pin = "D8"', 'pin = "D1"'),
        ("check",),
        2,
        ("figure.toml", "D1", "link", "do:"),
    ),
    Case(
        "a range outside the pulse range",
        both(
            replace("figure.toml", "ends_us = [620, 2380]", ""),
            replace("figure.toml", "range_deg = [-75, 75]", "range_deg = [-120, 120]"),
        ),
        ("check",),
        2,
        ("figure.toml", "axes.turn", "pulse range", "[-90, 90] deg", "do:"),
    ),
    Case(
        "a range outside the recorded ends",
        replace("figure.toml", "range_deg = [-28, 28]", "range_deg = [-28, 60]"),
        ("check",),
        2,
        ("figure.toml", "axes.nod", "ends", "do:"),
    ),
    Case(
        "zero mass",
        replace("figure.toml", "weight_g = 690", "weight_g = 0"),
        ("check",),
        2,
        ("figure.toml", "weight_g", "more than zero", "do:"),
    ),
    Case(
        "a number too big",
        replace("figure.toml", "stall_kgcm = 15", "stall_kgcm = 1e9"),
        ("check",),
        2,
        ("figure.toml", "stall_kgcm", "too big", "at most"),
    ),
    Case(
        "a scene with a typo",
        write("try.scene", "scene try\n0:01 turn rihgt 20, easy\n"),
        ("check",),
        2,
        ("try.scene:2:", "rihgt", "right", "^", "do:"),
    ),
    Case(
        "a time that goes back",
        write("try.scene", "scene try\n0:05 turn right 20, easy\n0:03 home, easy\n"),
        ("check",),
        2,
        ("try.scene:3:", "0:03", "^", "do:"),
    ),
    Case(
        "an axis that does not exist",
        write("try.scene", "scene try\n0:01 neck right 20, easy\n"),
        ("check",),
        2,
        ("try.scene:2:", "neck", "turn", "^", "do:"),
    ),
    Case(
        "a number too big in a scene",
        write("try.scene", "scene try\n0:01 turn right 2000000, easy\n"),
        ("check",),
        2,
        ("try.scene:2:", "too big", "360 deg", "^", "do:"),
    ),
    Case(
        "an image too big, checked",
        write("long.scene", busy_scene(600)),
        ("check",),
        1,
        ("memory", "bytes too big", "do:"),
    ),
    Case(
        "an image too big, compiled",
        write("long.scene", busy_scene(600)),
        ("compile",),
        1,
        ("bytes too big", "limit", "do:"),
    ),
    Case("a corrupted hex", nothing, ("compile",), 2, ("player_uno.hex", "do:"), ("corrupted_hex",)),
    Case(
        "a port that is not there",
        nothing,
        ("flash", "--port", "/dev/ttyNOWHERE9"),
        3,
        ("/dev/ttyNOWHERE9", "not", "do:"),
    ),
    Case(
        "permission denied",
        nothing,
        ("flash", "--port", "/dev/ttyDENIED"),
        3,
        ("/dev/ttyDENIED", "permission denied", "usermod -aG", "log out and in again"),
        ("denied_port",),
    ),
    Case(
        "a port in use",
        nothing,
        ("flash", "--port", "/dev/ttyBUSY"),
        3,
        ("/dev/ttyBUSY", "in use", "do:"),
        ("busy_port",),
    ),
    Case(
        "an unplugged cable mid-flash",
        nothing,
        ("flash", "--port", "virtual"),
        3,
        ("went away", "dead but safe", "`quarterjack flash` again"),
        ("unplugged_port",),
    ),
]


@pytest.fixture
def corrupted_hex(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The shipped player with one digit changed."""
    from sequencer.firmware import boards

    data = tmp_path / "data"
    shutil.copytree(boards.DATA, data)
    lines = (data / "player_uno.hex").read_text().splitlines()
    lines[2] = lines[2][:-1] + ("0" if lines[2][-1] != "0" else "1")
    (data / "player_uno.hex").write_text("\n".join(lines) + "\n")
    monkeypatch.setattr(boards, "DATA", data)
    boards.prebuilt_player.cache_clear()


@pytest.fixture
def denied_port(monkeypatch: pytest.MonkeyPatch) -> None:
    _serial_raises(monkeypatch, OSError(errno.EACCES, "Permission denied"))


@pytest.fixture
def busy_port(monkeypatch: pytest.MonkeyPatch) -> None:
    _serial_raises(monkeypatch, OSError(errno.EBUSY, "Device or resource busy"))


def _serial_raises(monkeypatch: pytest.MonkeyPatch, error: OSError) -> None:
    """Opening any serial port ends as the operating system would end it."""
    import serial

    def refuse(*_args: object, **_kwargs: object) -> None:
        raise serial.SerialException(error.errno, f"could not open port: {error}")

    monkeypatch.setattr(serial.Serial, "open", refuse)


@pytest.fixture
def unplugged_port(monkeypatch: pytest.MonkeyPatch) -> None:
    """A virtual board whose cable goes away a while into the upload."""
    from sequencer.board import connect, virtual_boards
    from sequencer.board.transport import Transport

    def unplugging(_spec: str, **_kwargs: object) -> Transport:
        port = virtual_boards.fresh_virtual()
        port.board.faults.unplug_after = 4000
        return port

    monkeypatch.setattr(connect, "open_port", unplugging)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_each_is_told_clearly_and_leaves_nothing_behind(
    case: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    for fixture in case.fixtures:
        request.getfixturevalue(fixture)
    show = tmp_path / "show"
    shutil.copytree(demo_folder(), show)
    for path in show.rglob("*"):
        path.chmod(path.stat().st_mode | stat.S_IWUSR)
    case.edit(show)
    before = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*"))
    words = [case.command[0], str(show), *case.command[1:]]
    if case.command[0] == "compile":
        words += ["-o", str(tmp_path / "out")]
    code = run(words)
    told = capsys.readouterr()
    everything = told.out + told.err
    assert code == case.exit_code, everything
    assert "Traceback" not in everything
    for piece in case.says:
        assert piece.lower() in everything.lower(), f"{piece!r} is not in:\n{everything}"
    after = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*"))
    assert after == before
