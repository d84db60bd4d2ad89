"""The boards' boot loaders for the emulated board: other projects' programs, never copied into this one.

The old Nano's and the Mega's are the hex files that Debian ships. The Uno's (and the new Nano's) hex file
runs past the end of flash, so the source beside it is compiled on the spot.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import Final

from sequencer.board.simavr import APT_LINE
from sequencer.errors import Fault, PortError

_PACKAGED: Final = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders")
SOURCE: Final = _PACKAGED / "optiboot" / "optiboot.c"
#: STK500 version 1 at 57600 baud, 2 KB long.
OLD_NANO: Final = _PACKAGED / "atmega" / "ATmegaBOOT_168_atmega328.hex"
#: STK500 version 2 at 115200 baud, 8 KB of room.
MEGA: Final = _PACKAGED / "stk500v2" / "stk500boot_v2_mega2560.hex"

_COMPILE: Final = [
    "-Os",
    "-fno-split-wide-types",
    "-fno-inline-small-functions",
    "-fno-ivopts",
    "-fno-tree-loop-optimize",
    "-mrelax",
    "-fwhole-program",
    "-mmcu=atmega328p",
    "-DF_CPU=16000000L",
    "-DLED_START_FLASHES=3",
    "-DBAUD_RATE=115200",
    "-Wl,--section-start=.text=0x7e00",
    "-Wl,--section-start=.version=0x7ffe",
    "-Wl,--relax",
    "-nostartfiles",
    "-nostdlib",
]
_COPY: Final = [
    "-j",
    ".text",
    "-j",
    ".data",
    "-j",
    ".version",
    "--set-section-flags",
    ".version=alloc,load",
    "-O",
    "ihex",
]


@cache
def packaged_loader(file: Path) -> str:
    """A loader that is usable as Debian ships it, as Intel HEX.

    Raises:
        PortError: it is absent.
    """
    try:
        return file.read_text()
    except OSError:
        raise PortError(
            Fault(
                f"the emulated board needs a boot loader of Debian's package; missing: {file}",
                remedy=f"{APT_LINE}, or use `--port virtual`, which needs nothing installed",
            )
        ) from None


@cache
def loader_hex(workdir: Path | None = None) -> str:
    """The loader as Intel HEX: 115200 baud, at 0x7E00.

    Raises:
        PortError: avr-gcc or the packaged source is absent, or the compiler refuses.
    """
    missing = [tool for tool in ("avr-gcc", "avr-objcopy") if shutil.which(tool) is None]
    if not SOURCE.is_file():
        missing.append(str(SOURCE))
    if missing:
        raise PortError(
            Fault(
                "the emulated board needs a boot loader, which is compiled from Debian's package; missing: "
                + ", ".join(missing),
                remedy=f"{APT_LINE}, or use `--port virtual`, which needs nothing installed",
            )
        )
    with tempfile.TemporaryDirectory(dir=workdir) as folder:
        elf, hexfile = Path(folder, "loader.elf"), Path(folder, "loader.hex")
        for words in (
            ["avr-gcc", *_COMPILE, "-o", str(elf), str(SOURCE)],
            ["avr-objcopy", *_COPY, str(elf), str(hexfile)],
        ):
            done = subprocess.run(words, capture_output=True, text=True, check=False)
            if done.returncode != 0:
                raise PortError(
                    Fault(
                        f"the boot loader cannot be compiled: {done.stderr.strip()[-400:]}",
                        remedy="check the packages gcc-avr, avr-libc and arduino-core-avr",
                    )
                )
        return hexfile.read_text()
