"""Build the Uno's player: ``python firmware_templates/avr/build_avr.py``.

Writes ``player_uno.hex`` and ``player_uno.json`` into ``sequencer/firmware/data``, prints what the
flash and RAM are used for, and fails when the code reaches the image or the static RAM exceeds 1.2 KB.
The hex covers every byte below the image (0xFF where there is no code), so that the CRC which the
board computes over the same bytes is the one in the JSON, whatever was in the chip before.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
import zlib
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parent.parent.parent
AVR: Final = ROOT / "firmware_templates" / "avr"
CORE: Final = ROOT / "firmware_templates" / "core"
DATA: Final = ROOT / "sequencer" / "firmware" / "data"
#: Where the image begins; the page size (128) divides it.
IMAGE_BASE: Final = 0x4C00
IMAGE_LIMIT: Final = 0x7E00
RAM_LIMIT: Final = 1229
RAM_BYTES: Final = 2048

FLAGS: Final = (
    *("-mmcu=atmega328p", "-DF_CPU=16000000UL", "-DQJ_SMALL_IMAGE"),
    *("-DQJ_MAX_TRACKS=12", "-DQJ_MAX_LAMPS=4", "-DQJ_MAX_SWITCHES=8", "-DQJ_MAX_INPUTS=4"),
    f"-DIMAGE_BASE={IMAGE_BASE}u",
    *(
        "-std=gnu99",
        "-Os",
        "-g0",
        "-Wall",
        "-Wextra",
        "-Wconversion",
        "-Werror",
        "-mrelax",
        "-fno-ident",
        "-ffixed-r2",
    ),
    *("-ffunction-sections", "-fdata-sections", "-fno-tree-switch-conversion", "-mcall-prologues", "-flto"),
    # Each of these passes makes this program larger: together by 850 bytes (avr-gcc 5.4).
    *("-fno-tree-forwprop", "-mstrict-X", "-fno-move-loop-invariants"),
    *("-fno-tree-ter", "-fno-tree-sink", "-fno-tree-reassoc"),
    *("-Ifirmware_templates/core", "-Ifirmware_templates/avr"),
)
LINK: Final = ("-Wl,--gc-sections", "-Wl,--relax")


def _run(command: list[str]) -> str:
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(command)}\n{done.stdout}{done.stderr}")
    return done.stdout


def sources() -> list[Path]:
    """The C files of the player, in the order in which they are linked."""
    return [*sorted(AVR.glob("*.c")), *sorted(CORE.glob("*.c"))]


def compile_elf(elf: Path, files: list[Path], extra: tuple[str, ...] = ()) -> None:
    """Compile and link C files for the Uno; tests use it for programs of their own."""
    if shutil.which("avr-gcc") is None:
        raise SystemExit("avr-gcc is missing: apt-get install -y gcc-avr avr-libc binutils-avr")
    names = [str(f.relative_to(ROOT)) if f.is_relative_to(ROOT) else str(f) for f in files]
    _run(["avr-gcc", *FLAGS, *extra, *LINK, "-o", str(elf), *names])


def content(elf: Path) -> bytes:
    """The bytes that go into flash from address 0."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder, "out.bin")
        _run(["avr-objcopy", "-j", ".text", "-j", ".data", "-O", "binary", str(elf), str(out)])
        return out.read_bytes()


def symbols(elf: Path) -> list[tuple[str, str, int]]:
    """Name, kind (``code`` or ``ram``) and size of everything in the program, largest first."""
    found = []
    for line in _run(["avr-nm", "--print-size", "--size-sort", "--reverse-sort", str(elf)]).splitlines():
        _, size, kind, name = line.split()
        found.append((name, "ram" if kind in "bBdD" else "code", int(size, 16)))
    return found


def static_ram(elf: Path) -> int:
    """Bytes of RAM in use before the stack: ``.data``, ``.bss`` and ``.noinit``."""
    total = 0
    for line in _run(["avr-size", "-A", str(elf)]).splitlines():
        words = line.split()
        if words and words[0] in (".data", ".bss", ".noinit"):
            total += int(words[1])
    return total


def intel_hex(flash: bytes) -> str:
    """Bytes from address 0 as Intel HEX, 16 a record."""
    lines = []
    for at in range(0, len(flash), 16):
        piece = flash[at : at + 16]
        record = bytes([len(piece), at >> 8, at & 0xFF, 0]) + piece
        lines.append(":" + (record + bytes([-sum(record) & 0xFF])).hex().upper())
    return "\n".join([*lines, ":00000001FF", ""])


def _replace(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_suffix(path.suffix + ".new")
    temporary.write_text(text, encoding="utf-8", newline="\n")
    temporary.replace(path)


def player_version() -> int:
    """``QJ_PLAYER_VERSION`` of the core."""
    for line in (CORE / "qj_core.h").read_text(encoding="utf-8").splitlines():
        if line.startswith("#define QJ_PLAYER_VERSION"):
            return int(line.split()[2])
    raise SystemExit("qj_core.h defines no QJ_PLAYER_VERSION")


def build_uno(out: Path = DATA) -> Path:
    """Build the player into ``out``; returns the hex file.

    Raises:
        SystemExit: no compiler, an error in the C, code or RAM beyond their limits.
    """
    with tempfile.TemporaryDirectory() as folder:
        elf = Path(folder, "player.elf")
        compile_elf(elf, sources())
        code, ram, parts = content(elf), static_ram(elf), symbols(elf)
    version = _run(["avr-gcc", "--version"]).splitlines()[0]
    print(f"flash  {len(code):6d} bytes of {IMAGE_BASE} below the image")
    print(f"RAM    {ram:6d} bytes of {RAM_LIMIT} (static; the chip has {RAM_BYTES})")
    for kind in ("ram", "code"):
        for name, _, size in [part for part in parts if part[1] == kind][:8]:
            print(f"  {kind:5s}{size:6d}  {name}")
    if len(code) > IMAGE_BASE:
        raise SystemExit(f"the player has {len(code)} bytes, the image begins at {IMAGE_BASE}")
    if ram > RAM_LIMIT:
        raise SystemExit(f"the player uses {ram} bytes of RAM, over {RAM_LIMIT}")
    flash = code.ljust(IMAGE_BASE, b"\xff")
    record = {
        "board": "uno",
        "image_base": IMAGE_BASE,
        "image_limit": IMAGE_LIMIT,
        "flash_bytes": len(code),
        "ram_bytes": ram,
        "compiler": version,
        "player_crc32": f"{zlib.crc32(flash):08x}",
        "player_version": player_version(),
    }
    _replace(out / "player_uno.json", json.dumps(record, indent=2) + "\n")
    hexfile = out / "player_uno.hex"
    _replace(hexfile, intel_hex(flash))
    return hexfile


def main() -> None:
    """Build and say where the result is."""
    print(build_uno())


if __name__ == "__main__":
    main()
