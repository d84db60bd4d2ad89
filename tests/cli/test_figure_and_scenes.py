"""What `figure` says of the scenes beside the figure file."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from sequencer import show as street
from sequencer.cli.main import run
from sequencer.show_folder import demo_folder


@pytest.fixture
def show(tmp_path: Path) -> Path:
    """The Lantern Keeper with his short scenes only."""
    for name in ("figure.toml", "idle.scene", "doze.scene"):
        shutil.copy(demo_folder() / name, tmp_path / name)
    return tmp_path


def test_page_one_compiles_nothing_and_names_the_command_that_does(
    show: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.delattr(street, "build_show")
        assert run(["figure", str(show)]) == 0
    said = re.search(r"`(quarterjack figure [^`]+)` compiles them", " ".join(capsys.readouterr().out.split()))
    assert said
    assert run(said.group(1).split()[1:]) == 0
    assert re.search(r"The longest transition, from idle to doze, takes \d\.\d\d s", capsys.readouterr().out)


def test_without_scenes_nothing_is_said_of_them(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for scene in show.glob("*.scene"):
        scene.unlink()
    assert run(["figure", str(show)]) == 0
    assert "transition" not in capsys.readouterr().out
