"""The Uno's boot loader for the emulated board, compiled on the spot from the packaged source.

The hex file that Debian ships runs past the end of flash, so the source beside it is compiled; it
is another project's program, never copied into this one.
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

SOURCE: Final = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders/optiboot/optiboot.c")

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
