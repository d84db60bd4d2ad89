"""The emulated board for the tests. A missing library fails and says what to install; nothing is skipped."""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.simavr import APT_LINE
from sequencer.firmware.boards import prebuilt_player
from tests.board.boards import bought
from tests.board.emulated_show import Points, Stage, made_show, start_stage
from tests.board.inside import Symbols, symbols_of

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "sequencer" / "firmware" / "data"
UNO = ROOT / "firmware_templates" / "avr"


@pytest.fixture(scope="session")
def player_hex() -> str:
    return (DATA / "player_uno.hex").read_text()


@pytest.fixture(scope="session")
def player_facts() -> dict[str, object]:
    return json.loads((DATA / "player_uno.json").read_text())


@pytest.fixture(scope="session")
def build_avr() -> ModuleType:
    """The script that builds the player: tests compile programs of their own with its flags."""
    script = UNO / "build_avr.py"
    spec = importlib.util.spec_from_file_location("build_avr", script)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["build_avr"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def symbols(build_avr: ModuleType, player_hex: str, tmp_path_factory: pytest.TempPathFactory) -> Symbols:
    """Of the shipped hex: the same sources and compiler give the same bytes, which is checked here."""
    elf = tmp_path_factory.mktemp("symbols") / "player.elf"
    build_avr.compile_elf(elf, build_avr.sources())
    assert build_avr.intel_hex(build_avr.content(elf).ljust(build_avr.IMAGE_BASE, b"\xff")) == player_hex
    return symbols_of(elf)


@pytest.fixture(scope="session")
def avrdude() -> str:
    path = shutil.which("avrdude")
    assert path, f"avrdude is missing: {APT_LINE}"
    return path


@pytest.fixture
def kind() -> str:
    """The board that a test is about: ``parametrize("kind", ["uno", "mega"])`` takes this one's place."""
    return "uno"


@pytest.fixture
def fresh_port(kind: str) -> EmulatedTransport:
    """A board as bought: the real loader and nothing else."""
    return bought(kind)


@pytest.fixture
def put_on_board(fresh_port: EmulatedTransport, kind: str) -> Callable[[bytes | None], EmulatedTransport]:
    """The shipped player and an image straight into flash, for tests that are not about flashing."""
    player = prebuilt_player(kind)

    def put(image: bytes | None) -> EmulatedTransport:
        for segment in player.segments:
            fresh_port.board.load(segment.address, segment.data)
        if image is not None:
            fresh_port.board.load(player.board.image_base, image)
        return fresh_port

    return put


@pytest.fixture
def stage_of(put_on_board: Callable[[bytes | None], EmulatedTransport]) -> Callable[..., Stage]:
    """A running show: ``stage_of(image, show)`` with every input pin at rest, the servos powered."""

    def stage(image: bytes, show: object) -> Stage:
        port = put_on_board(image)
        for record in show.inputs:  # type: ignore[attr-defined]
            port.board.drive(record.pin, int(record.active_low != (record.kind == "rail")))
        return start_stage(port, image, show)  # type: ignore[arg-type]

    return stage


@pytest.fixture(scope="session")
def twelve() -> tuple[bytes, object, Points]:
    """Twelve servos, four lamps, a beam: image, show and control points."""
    from sequencer.tables.image import build_image

    show, points = made_show()
    return build_image(show), show, points
