import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.errors import ImageError, InputError, RoomError
from sequencer.firmware import boards
from sequencer.firmware import compile as compile_module
from sequencer.firmware.boards import Player, board_description, prebuilt_player
from sequencer.firmware.compile import Target, write_outputs
from sequencer.firmware.hexfile import Segment, flat, read_hex, write_hex
from sequencer.firmware.join import check_room
from sequencer.firmware.sketch import sketch_name
from sequencer.tables.image import build_image, image_crc32, read_image
from sequencer.tables.room import room
from tests.firmware.example_show import CERTIFICATE, IMAGE, SHOW, SPECS

UNO = board_description("uno")
PLAYER = Player(UNO, (Segment(0, b"\x0c\x94" * 100),), 1, 1, 700, "test", {})
FILES = {
    "show_image.h",
    "Lantern_keeper",
    "Lantern_keeper.hex",
    "Lantern_keeper.qji",
    "certificate.json",
    "report.txt",
}


def write(out: Path):
    return write_outputs(out, SHOW, IMAGE, SPECS, CERTIFICATE, PLAYER, "all is well")


def test_every_file_is_there_and_right(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    done = write(out)
    assert {path.name for path in done.files} == FILES == {path.name for path in out.iterdir()}
    assert list(out.parent.iterdir()) == [out]
    assert read_image((out / "Lantern_keeper.qji").read_bytes()).figure == SHOW.figure
    content = flat(read_hex((out / "Lantern_keeper.hex").read_text()), UNO.flash_bytes)
    assert content[UNO.image_base :][: len(IMAGE)] == IMAGE
    assert content[:200] == b"\x0c\x94" * 100
    assert set(content[200 : UNO.image_base]) == {255}
    certificate = json.loads((out / "certificate.json").read_text())
    assert certificate["turn"]["jerk"] == {"max": 6, "bound": 30, "scene": "idle->greet"}
    assert (out / "report.txt").read_text() == "all is well\n"


def test_the_contract_of_compile_json(tmp_path: Path) -> None:
    contract = write(tmp_path / "out").contract
    assert list(contract) == ["schema", "files", "image_crc32", "image_bytes", "units", "certificate"]
    assert contract["schema"] == 1
    assert contract["image_crc32"] == f"{image_crc32(IMAGE):08x}"
    assert all(Path(item).exists() for item in contract["files"])
    assert set(contract["units"]["turn"]) == {"lsb_us", "lsb_deg", "frame_us", "knot_frames"}
    assert set(contract["certificate"]["turn"]["position"]) == {"min", "lower", "max", "bound", "scene"}
    json.dumps(contract)


def test_writing_again_replaces_ours_and_leaves_the_rest(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out)
    (out / "notes.txt").write_text("mine")
    (out / "report.txt").write_text("old")
    (out / "Lantern_keeper" / "stale.c").write_text("old")
    write(out)
    assert (out / "notes.txt").read_text() == "mine"
    assert (out / "report.txt").read_text() == "all is well\n"
    assert not (out / "Lantern_keeper" / "stale.c").exists()


def test_a_file_in_the_folder_s_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(InputError, match="is a file"):
        write(tmp_path / "out")
    with pytest.raises(InputError, match="cannot be written"):
        write(tmp_path / "out" / "below")
    assert (tmp_path / "out").read_text() == "mine"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("existing", [False, True])
@pytest.mark.parametrize("fails_at", range(1, 12))
def test_whatever_fails_nothing_is_half_written(
    tmp_path: Path, monkeypatch, existing: bool, fails_at: int
) -> None:
    out = tmp_path / "out"
    if existing:
        write(out)
        (out / "report.txt").write_text("before")
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    true_replace, calls = os.replace, []

    def failing(source, target) -> None:
        calls.append(source)
        if len(calls) == fails_at:
            raise PermissionError(13, "Permission denied", str(target))
        true_replace(source, target)

    monkeypatch.setattr(compile_module.os, "replace", failing)
    moves = 12 if existing else 6
    if fails_at > moves:
        write(out)
        return
    with pytest.raises(InputError, match="Permission denied"):
        write(out)
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before
    assert list(tmp_path.iterdir()) == ([out] if existing else [])


def test_a_folder_where_nobody_may_write_is_told() -> None:
    """The kernel's own file system refuses even root."""
    with pytest.raises(InputError) as caught:
        write(Path("/proc/self/out"))
    assert "/proc/self/out: the output cannot be written" in str(caught.value)
    assert caught.value.faults[0].remedy


def big_show(scale: int):
    scene = SHOW.scenes[1]
    noise = bytes((17 * i * i) & 255 for i in range(scale))
    return replace(
        SHOW, scenes=(SHOW.scenes[0], replace(scene, frames=18000, tracks=(noise, scene.tracks[1])))
    )


def test_an_image_too_big_says_what_to_shorten(tmp_path: Path) -> None:
    show = big_show(24_000)
    image = build_image(show)
    over = len(image) - UNO.image_bytes
    with pytest.raises(RoomError, match=rf"{over} bytes too big for the Arduino Uno, about \d+ s") as caught:
        write_outputs(tmp_path / "out", show, image, SPECS, CERTIFICATE, PLAYER, "")
    assert "shorten greet (360 s" in caught.value.faults[0].remedy
    assert not (tmp_path / "out").exists()
    two = replace(
        show, scenes=(show.scenes[1], replace(show.scenes[1], name="storm", lamps=(b"\1\0\0" * 7000,)))
    )
    two = replace(two, idle=None, inputs=(), transitions=())
    with pytest.raises(RoomError) as caught:
        check_room(two, build_image(two) + bytes(30_000), UNO)
    assert "leave storm" in caught.value.faults[0].remedy


def test_seconds_left_follow_from_the_scenes_own_rate() -> None:
    found = room(SHOW, IMAGE, UNO.image_bytes)
    assert found.bytes_free == UNO.image_bytes - len(IMAGE)
    seconds = (240 + 180) * 0.02
    rate = sum(scene.table_bytes for scene in SHOW.scenes) / seconds
    assert found.seconds_left == pytest.approx(found.bytes_free / rate)


def test_an_unknown_board_is_told() -> None:
    with pytest.raises(InputError, match="no board 'giga'"):
        board_description("giga")


def test_the_prebuilt_player_and_its_description_belong_together() -> None:
    player = prebuilt_player("uno")
    assert player.board.image_limit == 0x7E00
    assert player.segments[-1].end <= player.board.image_base
    assert player.ram_bytes <= 1229


def test_a_player_with_a_changed_byte_is_refused(tmp_path: Path, monkeypatch) -> None:
    for file in boards.DATA.glob("player_uno.*"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    segments = read_hex((tmp_path / "player_uno.hex").read_text())
    damaged = (Segment(0, bytes([segments[0].data[0] ^ 1]) + segments[0].data[1:]), *segments[1:])
    (tmp_path / "player_uno.hex").write_text(write_hex(damaged))
    monkeypatch.setattr(boards, "DATA", tmp_path)
    with pytest.raises(ImageError, match="do not belong together"):
        prebuilt_player.__wrapped__("uno")
    (tmp_path / "player_uno.json").write_text("{}")
    with pytest.raises(ImageError, match="description cannot be read"):
        board_description.__wrapped__("uno")


@pytest.mark.parametrize(
    ("target", "has", "lacks"),
    [
        ("sketch", ["_portable"], [".hex", ""]),
        ("all", ["_portable", ".hex", ""], []),
        ("hex", [".hex", ""], ["_portable"]),
    ],
)
def test_a_target_says_what_is_written(
    tmp_path: Path, target: Target, has: list[str], lacks: list[str]
) -> None:
    out = tmp_path / "out"
    made = write_outputs(out, SHOW, IMAGE, SPECS, CERTIFICATE, PLAYER, "all is well", target=target)
    name = sketch_name(SHOW.figure)
    written = {file.name for file in made.files}
    assert written == {file.name for file in out.iterdir()}
    assert {f"{name}{ending}" for ending in has} <= written
    assert not {f"{name}{ending}" for ending in lacks} & written
    assert {"show_image.h", f"{name}.qji", "certificate.json", "report.txt"} <= written
    assert made.contract["files"] == [str(file) for file in made.files]
    if "_portable" in has:
        assert (out / f"{name}_portable" / f"{name}_portable.ino").is_file()
