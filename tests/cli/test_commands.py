"""The command table: each command is documented, helps itself, and keeps the JSON contract."""

from __future__ import annotations

import importlib
import inspect
import json
import shutil
import subprocess
import sys
import typing
from pathlib import Path
from typing import Any

import pytest
import typer

from sequencer.cli.main import COMMANDS, Command, help_text, run
from sequencer.show_folder import demo_folder

ROOT = Path(__file__).parent.parent.parent
FINDING_KEYS = set(
    "code severity scene channel time_s value limit unit message remedy".split()  # noqa: SIM905
)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: " ".join(command.words))
def test_every_command_is_documented_and_every_option_has_help(command: Command) -> None:
    function = importlib.import_module(f"sequencer.cli.{command.module}").command
    assert inspect.getdoc(function)
    for name, hint in typing.get_type_hints(function, include_extras=True).items():
        if name == "return":
            continue
        infos = [item for item in typing.get_args(hint)[1:] if isinstance(item, typer.models.ParameterInfo)]
        assert infos, f"{name} is not annotated for the command line"
        assert infos[0].help, f"{name} has no help"
    assert command.summary in help_text()
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"`{command.words[0]}" in readme


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: " ".join(command.words))
def test_every_command_helps_itself(command: Command, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*command.words, "--help"]) == 0
    assert "Usage" in capsys.readouterr().out


def test_help_and_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == 0
    assert run([]) == 0
    assert run(["--version"]) == 0
    assert "quarterjack 0." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["chekc"], "Did you mean `check`"),
        (["import"], "import midi FILE"),
        (["check", "--nosuch"], "No such option"),
        (["check", "no/such/folder"], "is not a show folder"),
        (["preview", str(demo_folder())], "--png FILE"),
        (["check", str(demo_folder()), "strom"], "did you mean storm"),
        (["trigger", "storm", "no/such/folder", "--port", "virtual"], "is not a show folder"),
    ],
)
def test_wrong_use_is_two(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(words) == 2
    told = capsys.readouterr()
    assert says in told.err + told.out


def test_a_mistyped_name_costs_no_planning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def planned(*_: object) -> None:
        raise AssertionError("planned before the name was refused")

    monkeypatch.setattr("sequencer.show.plan_show", planned)
    for option, name in (("--png", "a"), ("--torque", "figure.toml"), ("--html", "a.png")):
        assert run(["preview", str(demo_folder()), option, str(tmp_path / name)]) == 2
        assert f"{tmp_path / name}: " in capsys.readouterr().err
        assert not (tmp_path / name).exists()


def test_help_imports_no_library() -> None:
    """Instant help needs nothing but the standard library's core."""
    heavy = "typer rich numpy scipy pydantic lark serial wasmtime matplotlib dataclasses"
    script = (
        "import sys; from sequencer.cli.main import run; run(['--help']); "
        f"print(sorted(set('{heavy}'.split()) & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.rstrip().endswith("[]")


def json_of(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    code = run(words)
    return code, json.loads(capsys.readouterr().out)


def test_check_json_contract(capsys: pytest.CaptureFixture[str]) -> None:
    code, found = json_of(["check", str(demo_folder()), "--json"], capsys)
    assert code == 0
    assert set(found) == {
        *("schema", "ok", "show", "scenes", "image_bytes", "flash_bytes_free", "seconds_left", "findings"),
    }
    assert found["schema"] == 1
    quantities = {"velocity_deg_s", "acceleration_deg_s2", "jerk_deg_s3"}
    for scene in found["scenes"].values():
        assert set(scene) == {"duration_s", "loop", "table_bytes", "channels", "servos"}
        for channel in scene["channels"].values():
            if channel["kind"] == "axis":
                assert set(channel) == {
                    *("kind", "bytes_per_s", "peak", "limit", "rms_error_deg", "max_error_deg", "knot_ms"),
                }
                assert set(channel["peak"]) == set(channel["limit"]) == quantities
                assert all(channel["peak"][key] <= channel["limit"][key] for key in quantities)
            else:
                assert set(channel) == {"kind", "bytes_per_s"}
        assert all(set(servo) == {"peak", "limit"} for servo in scene["servos"].values())
    assert all(set(finding) == FINDING_KEYS for finding in found["findings"])


def changed_keeper(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    show = tmp_path / "show"
    shutil.copytree(demo_folder(), show)
    text = (show / "figure.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (show / "figure.toml").write_text(text, encoding="utf-8")
    return show


def test_check_json_of_a_figure_that_cannot_move(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = changed_keeper(tmp_path, ("stall_kgcm = 20", "stall_kgcm = 1"))
    code, found = json_of(["check", str(show), "--json"], capsys)
    assert code == 1
    assert found["ok"] is False
    errors = [item for item in found["findings"] if item["severity"] == "error"]
    assert {item["code"] for item in errors} == {"torque"}
    assert all(set(finding) == FINDING_KEYS for finding in found["findings"])


def test_what_breaks_stops_flash_and_compile(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = changed_keeper(tmp_path, ("rating_a = 12.0", "rating_a = 0.3"))
    for words in (
        ["compile", str(show), "-o", str(tmp_path / "out")],
        ["flash", str(show), "--port", "virtual"],
    ):
        assert run(words) == 1
        assert "[supply]" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_real_board_is_not_flashed_without_recorded_ends(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = changed_keeper(tmp_path, ("ends_us = [620, 2380]", ""))
    assert run(["flash", str(show), "--port", "/dev/ttyNOWHERE9"]) == 2
    assert "recorded ends" in capsys.readouterr().err


def test_check_of_one_scene_plans_only_it_and_idle(capsys: pytest.CaptureFixture[str]) -> None:
    _, found = json_of(["check", str(demo_folder()), "greet", "--json"], capsys)
    assert set(found["scenes"]) == {"greet", "idle"}


def test_figure_json_contract(capsys: pytest.CaptureFixture[str]) -> None:
    code, found = json_of(["figure", str(demo_folder()), "--json"], capsys)
    assert code == 0
    assert set(found) == {"schema", "figure", "axes", "servos", "supply", "findings"}
    for axis in found["axes"].values():
        assert set(axis) == {"inertia_kg_m2", "gravity_torque_n_m", "limit", "limited_by"}
        assert set(axis["limited_by"]) == {"velocity", "acceleration", "jerk"}
    for servo in found["servos"].values():
        assert set(servo) == {"stall_torque_n_m", "no_load_speed_deg_s", "torque_margin"}
    assert set(found["supply"]) == {"peak_a", "average_a", "rating_a"}


def test_compile_json_contract_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, found = json_of(["compile", str(demo_folder()), "-o", str(tmp_path / "out"), "--json"], capsys)
    assert code == 0
    assert set(found) == {"schema", "files", "image_crc32", "image_bytes", "units", "certificate"}
    assert all(Path(file).exists() for file in found["files"])
    assert len(found["image_crc32"]) == 8
    for unit in found["units"].values():
        assert set(unit) == {"lsb_us", "lsb_deg", "frame_us", "knot_frames"}
    for track in found["certificate"].values():
        assert set(track["position"]) == {"min", "lower", "max", "bound", "scene"}
        for quantity in ("velocity", "acceleration", "jerk"):
            assert set(track[quantity]) == {"max", "bound", "scene"}
            assert track[quantity]["max"] <= track[quantity]["bound"]


def test_flash_then_trigger_in_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two commands, as a builder runs them: the virtual board keeps its flash between them."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    code, flashed = json_of(["flash", str(demo_folder()), "--port", "virtual", "--json"], capsys)
    assert code == 0
    assert flashed["outcome"] == "flashed"
    code, again = json_of(["flash", str(demo_folder()), "--port", "virtual", "--json"], capsys)
    assert code == 0
    assert again["outcome"] == "nothing to do"
    trigger = ["trigger", "greet", str(demo_folder()), "--port", "virtual", "--speed", "0", "--json"]
    code, played = json_of(trigger, capsys)
    assert code == 0
    assert played["outcome"] == "played"
    code, twice = json_of([*trigger, "--loop", "2"], capsys)
    assert code == 0
    assert (twice["outcome"], twice["turns"]) == ("played", 2)
    code, streamed = json_of([*trigger, "--stream"], capsys)
    assert code == 0
    assert (streamed["outcome"], streamed["tracks"], streamed["underrun_of"]) == ("played", 4, None)
    # a scene that the board does not have, of the same figure; and of another one
    more = tmp_path / "more"
    shutil.copytree(demo_folder(), more)
    greet = (more / "greet.scene").read_text()
    (more / "more.scene").write_text(greet.replace("scene greet", "scene more"))
    stream = ["trigger", "more", str(more), "--port", "virtual", "--speed", "0", "--json", "--stream"]
    assert run(stream) == 3
    capsys.readouterr()
    code, streamed = json_of([*stream, "--carries", str(demo_folder())], capsys)
    assert code == 0
    assert (streamed["scene"], streamed["outcome"]) == ("more", "played")
    figure = more / "figure.toml"
    figure.write_text(figure.read_text().replace("centre_us = 1490", "centre_us = 1491"))
    assert run([*stream, "--carries", str(demo_folder())]) == 2
    assert "would mean another pose" in capsys.readouterr().err
    assert run([*stream, "--loop", "2"]) == 2
    assert "plays once" in capsys.readouterr().err


def test_trigger_before_flash_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert run(["trigger", "greet", str(demo_folder()), "--port", "virtual", "--speed", "0"]) == 3
    assert "quarterjack flash" in capsys.readouterr().err


def test_demo_goes_the_whole_road(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "-o", str(tmp_path / "demo")]) == 0
    told = capsys.readouterr().out
    for piece in ("what the player plays", "Certificate", "read back", "hello from", "played to its end"):
        assert piece in told
    assert (tmp_path / "demo" / "scenes.png").stat().st_size > 50_000
