"""``quarterjack new``: a commented, working starter show."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

#: The files of a starter show, in the order in which a builder reads them.
FILES = ("figure.toml", "hello.scene", "idle.scene", "event.toml")


def command(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
) -> None:
    """Write a commented, working starter show into DIR; nothing that exists is overwritten."""
    from sequencer.cli.say import console

    write_starter(directory)
    out = console()
    out.print(f"{directory}: a starter show in {len(FILES)} files.", markup=False)
    for name in FILES:
        out.print(f"  {directory / name}", markup=False)
    out.print(f"Next: quarterjack figure {directory}, then quarterjack check {directory}", markup=False)


def write_starter(directory: Path) -> None:
    """Write the starter show's files.

    Raises UsageError when one of them is there already or the folder cannot be made.
    """
    from importlib import resources

    from sequencer.errors import Fault, UsageError

    there = [name for name in FILES if (directory / name).exists() or (directory / name).is_symlink()]
    if there:
        raise UsageError(
            Fault(
                f"already holds {', '.join(there)}; nothing was written",
                file=str(directory),
                remedy="name a folder that does not exist yet",
            )
        )
    source = resources.files("sequencer.figure.starter")
    texts = {name: (source / name).read_bytes() for name in FILES}
    waiting: list[Path] = []
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            temporary = directory / f".{name}.new"
            waiting.append(temporary)
            temporary.write_bytes(text)
        for name in FILES:
            (directory / f".{name}.new").replace(directory / name)
    except OSError as error:
        for temporary in waiting:
            temporary.unlink(missing_ok=True)
        raise UsageError(
            Fault(
                f"cannot be written: {error.strerror or error}",
                file=str(directory),
                remedy="name a folder in a place where you may write",
            )
        ) from None
