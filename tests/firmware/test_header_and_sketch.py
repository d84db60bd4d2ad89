import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.board.simavr import APT_LINE
from sequencer.firmware.boards import board_description
from sequencer.firmware.header import render_header, sections
from sequencer.firmware.sketch import sketch_files, sketch_name, sketch_tree
from tests.firmware.example_show import IMAGE, SHOW, SPECS

UNO = board_description("uno")
ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")


def header() -> str:
    return render_header(SHOW, IMAGE, SPECS)


def test_the_array_is_the_image() -> None:
    array = header().split("PROGMEM = {")[1]
    array = re.sub(r"/\*.*?\*/", "", array)
    assert bytes(int(item, 16) for item in re.findall(r"0x([0-9a-f]{2}),", array)) == IMAGE


def test_sections_cover_every_byte_in_order() -> None:
    parts = sections(SHOW, IMAGE)
    assert parts[0].title == "header, 68 bytes"
    assert sum(int(part.title.rsplit(", ", 1)[1].split()[0]) for part in parts) == len(IMAGE)
    assert any(part.title.startswith("greet: jaw") for part in parts)


def test_a_person_finds_units_scenes_and_tracks() -> None:
    text = header()
    greet = next(line for line in text.splitlines() if " greet " in line)
    assert greet.split()[1:] == ["1", "greet", "3.60", "180", str(SHOW.scenes[1].table_bytes), "scene"]
    turn = next(line for line in text.splitlines() if " turn " in line and "7" in line)
    degrees = 57.29577951 / 2546.0
    assert turn.split()[1:] == ["0", "turn", "7", "60", "0.25", f"{degrees:.5f}", "1500", "500.0..2500.0"]
    assert "#define SHOW_SCENE_GREET 1" in text
    assert "beam on pin 2 plays greet" in text
    assert "20000 us" in text


def test_names_cannot_break_out_of_a_comment_or_collide() -> None:
    scenes = tuple(
        replace(scene, name=name) for scene, name in zip(SHOW.scenes, ("a b*/", "a_b__"), strict=True)
    )
    show = replace(SHOW, scenes=scenes, idle=None, inputs=())
    text = render_header(show, IMAGE, SPECS)
    assert text.count("*/") == text.count("/*")
    constants = re.findall(r"#define (SHOW_SCENE_\w+) \d", text)
    assert len(set(constants)) == 2


@pytest.mark.parametrize(
    ("show", "name"), [("Lantern Keeper", "Lantern_Keeper"), ("3 owls", "show_3_owls"), ("ö/..", "show")]
)
def test_sketch_names(show: str, name: str) -> None:
    assert sketch_name(show) == name


def build(folder: Path, objects: Path, *, together: bool = False) -> Path:
    """As the Arduino IDE would: the sketch's C and .ino, then the core as an archive, linked.

    ``together``: optimised at link time, as the IDE has done since version 1.6.
    """
    assert shutil.which("avr-g++"), f"the AVR compiler is missing: {APT_LINE}"
    assert ARDUINO.is_dir(), f"the Arduino core is missing: {APT_LINE}"
    objects.mkdir(exist_ok=True)
    lto = ["-flto", "-fuse-linker-plugin"] if together else []
    flags = [
        *("-mmcu=atmega328p", "-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_AVR_UNO", "-Os", "-w"),
        *lto,
        *("-ffunction-sections", "-fdata-sections", "-DDECIMAL_DIG=__DECIMAL_DIG__"),
        *(f"-I{ARDUINO / 'cores/arduino'}", f"-I{ARDUINO / 'variants/standard'}", f"-I{folder}"),
    ]

    def run(*command: str) -> None:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr

    made = []
    for source in sorted(folder.iterdir()):
        out = str(objects / f"{source.name}.o")
        if source.suffix == ".c":
            run("avr-gcc", *flags, "-std=gnu11", "-c", str(source), "-o", out)
        elif source.suffix == ".ino":
            cxx = ["-std=gnu++11", "-fno-exceptions", "-include", "Arduino.h", "-x", "c++"]
            run("avr-g++", *flags, *cxx, "-c", str(source), "-o", out)
        else:
            continue
        made.append(out)
    archive = str(objects / "core.a")
    for source in sorted((ARDUINO / "cores/arduino").glob("w*.c")):
        out = str(objects / f"core_{source.name}.o")
        run("avr-gcc", *flags, "-std=gnu11", "-c", str(source), "-o", out)
        run("avr-gcc-ar", "rcs", archive, out)
    out = str(objects / "core_main.o")
    run("avr-g++", *flags, "-std=gnu++11", "-c", str(ARDUINO / "cores/arduino/main.cpp"), "-o", out)
    run("avr-gcc-ar", "rcs", archive, out)
    elf = objects / "sketch.elf"
    run(
        "avr-gcc",
        "-mmcu=atmega328p",
        "-Os",
        "-w",
        *lto,
        "-Wl,--gc-sections",
        *made,
        archive,
        "-lm",
        "-o",
        str(elf),
    )
    return elf


def test_a_missing_tool_fails_and_names_its_packages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "which", lambda name: None)
        with pytest.raises(AssertionError, match=r"apt-get install .* gcc-avr"):
            build(tmp_path, tmp_path / "objects")
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "which", lambda name: f"/usr/bin/{name}")
        patch.setitem(globals(), "ARDUINO", tmp_path / "nowhere")
        with pytest.raises(AssertionError, match=r"apt-get install .* arduino-core-avr"):
            build(tmp_path, tmp_path / "objects")


@pytest.mark.parametrize("together", [False, True])
def test_the_sketch_compiles_and_carries_the_image(tmp_path: Path, together: bool) -> None:
    folder = tmp_path / "keeper"
    files = sketch_files("keeper", SHOW, UNO, header())
    sketch_tree(files, folder)
    assert {"keeper.ino", "show_image.h", "show_image.c", "player.c", "qj_core.h"} <= set(files)
    assert "main.c" not in files
    elf = build(folder, tmp_path / "objects", together=together)
    binary = tmp_path / "sketch.bin"
    subprocess.run(["avr-objcopy", "-O", "binary", str(elf), str(binary)], check=True)
    content = binary.read_bytes()
    assert IMAGE in content
    assert len(content) <= UNO.image_limit
    sizes = subprocess.run(["avr-size", "-A", str(elf)], capture_output=True, text=True, check=True).stdout
    ram = sum(
        int(row.split()[1]) for row in sizes.splitlines() if row.startswith((".data", ".bss", ".noinit"))
    )
    assert ram <= 1229
    names = subprocess.run(["avr-nm", str(elf)], capture_output=True, text=True, check=True).stdout
    assert "__vector_16" in names, "the lamp timer's interrupt is the player's"
