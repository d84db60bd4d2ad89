"""Build the boards' players: ``python firmware_templates/avr/build_avr.py [uno|mega|all]``.

Writes ``player_TARGET.hex`` and ``player_TARGET.json`` into ``sequencer/firmware/data``, prints what the
flash and RAM are used for, and fails when the code reaches the image or the static RAM its limit.
The hex covers every byte below the image (0xFF where there is no code), so that the CRC which the
board computes over the same bytes is the one in the JSON, whatever was in the chip before.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import tempfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parent.parent.parent
AVR: Final = ROOT / "firmware_templates" / "avr"
CORE: Final = ROOT / "firmware_templates" / "core"
DATA: Final = ROOT / "sequencer" / "firmware" / "data"


@dataclass(frozen=True)
class Target:
    """A chip to build for. Sizes and addresses in bytes.

    ``image_base`` is where the image begins (a multiple of the page size) and ``image_limit`` where
    the boot loader does. ``counted`` scenes have a run
    counter each. ``ram_limit`` is what may be in use before the stack.
    """

    name: str
    mcu: str
    image_base: int
    image_limit: int
    ram_bytes: int
    ram_limit: int
    tracks: int
    lamps: int
    switches: int
    inputs: int
    counted: int
    small_image: bool
    optimise: tuple[str, ...]

    @property
    def flags(self) -> tuple[str, ...]:
        """What the compiler must know of it."""
        return (
            *(
                f"-mmcu={self.mcu}",
                *self.optimise,
                "-DF_CPU=16000000UL",
                *(["-DQJ_SMALL_IMAGE"] if self.small_image else []),
            ),
            *(f"-DQJ_MAX_TRACKS={self.tracks}", f"-DQJ_MAX_LAMPS={self.lamps}"),
            *(f"-DQJ_MAX_SWITCHES={self.switches}", f"-DQJ_MAX_INPUTS={self.inputs}"),
            f"-DQJ_MAX_COUNTED={self.counted}",
            *(["-DQJ_MAX_WAYS=4"] if self.small_image else []),
            *(f"-DIMAGE_BASE={self.image_base}u", f"-DIMAGE_LIMIT={self.image_limit}u"),
        )


#: The Uno's player is the Nano's too: the same chip.
UNO: Final = Target(
    "uno",
    "atmega328p",
    0x5B80,
    0x7E00,
    2048,
    1229,
    12,
    4,
    6,
    4,
    4,
    small_image=True,
    optimise=(
        *("-Os", "-mcall-prologues"),
        *("-fno-inline-small-functions", "-fno-tree-coalesce-vars", "-fno-split-wide-types"),
    ),
)
#: It has flash in plenty, and twice as many servos to work out in the same 20 ms.
MEGA: Final = Target(
    "mega", "atmega2560", 0x9000, 0x3E000, 8192, 4096, 24, 9, 8, 8, 32, small_image=False, optimise=("-O2",)
)
TARGETS: Final = {target.name: target for target in (UNO, MEGA)}
#: Of the Uno, for tests that put an image beside a program of their own.
IMAGE_BASE: Final = UNO.image_base

FLAGS: Final = (
    *("-std=gnu99", "-g0", "-Wall", "-Wextra", "-Wconversion", "-Werror"),
    *("-mrelax", "-fno-ident", "-ffixed-r2"),
    *("-ffunction-sections", "-fdata-sections", "-fno-tree-switch-conversion", "-flto"),
    # Each of these passes makes this program larger: together by 850 bytes (avr-gcc 5.4).
    *("-fno-tree-forwprop", "-mstrict-X", "-fno-move-loop-invariants"),
    *("-fno-tree-ter", "-fno-tree-sink", "-fno-tree-reassoc", "-fipa-pta", "-fira-algorithm=priority"),
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


def compile_elf(elf: Path, files: list[Path], extra: tuple[str, ...] = (), target: Target = UNO) -> None:
    """Compile and link C files for a board; tests use it for programs of their own."""
    if shutil.which("avr-gcc") is None:
        raise SystemExit("avr-gcc is missing: apt-get install -y gcc-avr avr-libc binutils-avr")
    names = [str(f.relative_to(ROOT)) if f.is_relative_to(ROOT) else str(f) for f in files]
    _run(["avr-gcc", *target.flags, *FLAGS, *extra, *LINK, "-o", str(elf), *names])


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


def section_sizes(elf: Path) -> dict[str, int]:
    """Bytes of each section, by name."""
    sizes = {}
    for line in _run(["avr-size", "-A", str(elf)]).splitlines():
        words = line.split()
        if len(words) == 3 and words[0].startswith("."):
            sizes[words[0]] = int(words[1])
    return sizes


def static_ram(elf: Path) -> int:
    """Bytes of RAM in use before the stack: ``.data``, ``.bss`` and ``.noinit``."""
    sizes = section_sizes(elf)
    return sum(sizes.get(name, 0) for name in (".data", ".bss", ".noinit"))


def intel_hex(flash: bytes) -> str:
    """Bytes from address 0, below 64 KB, as Intel HEX, 16 a record."""
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


def build(target: Target = UNO, out: Path = DATA) -> Path:
    """Build a board's player into ``out``; returns the hex file.

    Raises:
        SystemExit: no compiler, an error in the C, code or RAM beyond their limits.
    """
    with tempfile.TemporaryDirectory() as folder:
        elf = Path(folder, "player.elf")
        compile_elf(elf, sources(), target=target)
        code, sizes, ram, parts = content(elf), section_sizes(elf), static_ram(elf), symbols(elf)
    version = _run(["avr-gcc", "--version"]).splitlines()[0]
    told = {name: sizes.get(f".{name}", 0) for name in ("text", "data", "bss", "noinit")}
    headroom = target.ram_bytes - ram
    print(f"{target.name} ({target.mcu})")
    print(f"  flash {len(code):6d} bytes of {target.image_base} below the image", end="")
    print(f" (text {told['text']}, data {told['data']})")
    print(f"  RAM   {ram:6d} bytes of {target.ram_limit} static", end="")
    print(f" (data {told['data']}, bss {told['bss']}, noinit {told['noinit']})")
    print(f"  stack {headroom:6d} bytes of {target.ram_bytes} are left for it")
    print(f"  image {target.image_limit - target.image_base:6d} bytes")
    for kind in ("ram", "code"):
        for name, _, size in [part for part in parts if part[1] == kind][:8]:
            print(f"    {kind:5s}{size:6d}  {name}")
    if len(code) > target.image_base:
        raise SystemExit(f"the player has {len(code)} bytes, the image begins at {target.image_base}")
    if ram > target.ram_limit:
        raise SystemExit(f"the player uses {ram} bytes of RAM, over {target.ram_limit}")
    flash = code.ljust(target.image_base, b"\xff")
    record = {
        "board": target.name,
        "image_base": target.image_base,
        "image_limit": target.image_limit,
        "flash_bytes": len(code),
        "ram_bytes": ram,
        "sections": told,
        "stack_headroom_bytes": headroom,
        "tracks": target.tracks,
        "lamps": target.lamps,
        "switches": target.switches,
        "inputs": target.inputs,
        "compiler": version,
        "player_crc32": f"{zlib.crc32(flash):08x}",
        "player_version": player_version(),
    }
    _replace(out / f"player_{target.name}.json", json.dumps(record, indent=2) + "\n")
    hexfile = out / f"player_{target.name}.hex"
    _replace(hexfile, intel_hex(flash))
    return hexfile


def main(argv: list[str] | None = None) -> None:
    """Build what is named and say where the result is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", nargs="?", default="all", choices=(*TARGETS, "all"))
    asked = parser.parse_args(argv).target
    for name, target in TARGETS.items():
        if asked in (name, "all"):
            print(build(target))


if __name__ == "__main__":
    main()
