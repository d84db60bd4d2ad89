"""Where the virtual board's flash is kept between commands.

``flash --port virtual`` and a later ``trigger --port virtual`` are two processes; the builder expects
one board. Its flash lives in a file in the user's cache folder, one for each kind of board, or in the file
that is named; the memory that needs no power and the I2C memory in files beside it.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

from sequencer.errors import Fault, ImageError
from sequencer.files import replace_file

#: The most I2C memory that a figure can name (memory_kb): two chips.
OUTSIDE_BYTES = 128 * 1024


def state_path(kind: str = "uno") -> Path:
    """The virtual board's file: below XDG_CACHE_HOME, the platform's cache folder otherwise."""
    chosen = os.environ.get("XDG_CACHE_HOME")
    if chosen:
        base = Path(chosen)
    elif sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path.home() / ".cache"
    return base / "quarterjack" / f"virtual_{kind}.flash"


def memory_path(flash: Path) -> Path:
    """Where the memory that needs no power (the EEPROM) is kept, beside the flash."""
    return flash.with_name(flash.name + ".memory")


def outside_path(flash: Path) -> Path:
    """Where the I2C memory is kept, beside the flash."""
    return flash.with_name(flash.name + ".i2c")


class FlashFile:
    """A flash (or memory) content in a file: read once, written as a whole and only when it changed.

    Without a file it is blank, and nothing is written.
    """

    def __init__(self, path: Path | None, size: int, what: str = "flash", kind: str = "uno") -> None:
        """Read it; a file that is not there is blank.

        Raises:
            ImageError: the file has another size, so it is not such a board's.

        """
        self._path = path
        content = b"\xff" * size
        if path is not None:
            with contextlib.suppress(FileNotFoundError):
                content = path.read_bytes()
        if len(content) != size:
            raise ImageError(
                Fault(
                    f"this is not the {what} of a virtual board of the kind {kind}",
                    file=str(path),
                    quantity="bytes",
                    value=str(len(content)),
                    limit=str(size),
                    remedy="delete the file, or name another one",
                )
            )
        self.content = bytearray(content)
        self._saved = content

    def save(self) -> None:
        """Write the content if it changed: to a temporary file first, then renamed."""
        if self._path is None or self.content == self._saved:
            return
        self._path.parent.mkdir(parents=True, exist_ok=True)
        replace_file(self._path, bytes(self.content))
        self._saved = bytes(self.content)
