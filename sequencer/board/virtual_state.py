"""Where the virtual board's flash is kept between commands.

``flash --port virtual`` and a later ``trigger --port virtual`` are two processes; the builder expects
one board. Its 32 KB live in a file in the user's cache folder, or in the file that is named.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from sequencer.errors import Fault, ImageError
from sequencer.files import replace_file


def state_path() -> Path:
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
    return base / "quarterjack" / "virtual_uno.flash"


def memory_path(flash: Path) -> Path:
    """Where the memory that needs no power (the EEPROM) is kept, beside the flash."""
    return flash.with_name(flash.name + ".memory")


class FlashFile:
    """A flash (or EEPROM) content in a file: read once, written as a whole and only when it changed."""

    def __init__(self, path: Path, size: int, what: str = "flash") -> None:
        """Read it; a file that is not there is blank.

        Raises:
            ImageError: the file has another size, so it is not a virtual board's.

        """
        self._path = path
        try:
            content = path.read_bytes()
        except FileNotFoundError:
            content = b"\xff" * size
        if len(content) != size:
            raise ImageError(
                Fault(
                    f"this is not the {what} of a virtual board",
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
        if self.content == self._saved:
            return
        self._path.parent.mkdir(parents=True, exist_ok=True)
        replace_file(self._path, bytes(self.content))
        self._saved = bytes(self.content)
