"""Whole files or none: read if it can be, written in one step, so that nobody ever sees half of one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from sequencer.errors import Fault, UsageError


def content(file: Path) -> bytes | None:
    """What is in a file; None for one that cannot be read."""
    try:
        return file.read_bytes()
    except OSError:
        return None


def replace_file(file: Path, content: bytes) -> None:
    """Write ``content`` beside ``file`` under a temporary name, then rename it.

    Raises UsageError when the folder is missing or not writable; an old file then stays as it was.
    """
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{file.name}.", dir=file.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        # mkstemp makes private files; a picture is for everyone the folder is for.
        temporary.chmod(0o644)
        temporary.replace(file)
    except OSError as error:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        fault = Fault(
            f"cannot write {file}: {error.strerror or error}",
            file=str(file),
            remedy="name a file in a folder that exists and that you may write to",
        )
        raise UsageError(fault) from error
