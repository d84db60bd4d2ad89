"""What every boot loader can do for the uploader, whatever its protocol, and what goes wrong alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from sequencer.board.chips import SIGNATURES, Chip
from sequencer.board.transport import Transport
from sequencer.errors import Fault, LoaderError

#: Seconds from reset pulse to the first byte, try by try: boards and adapters differ.
SETTLE_S = (0.1, 0.1, 0.25, 0.05, 0.4)
#: How long a loader that is there may take to answer the sync.
SYNC_S = 0.25


class SilentLoaderError(LoaderError):
    """Nothing answered, or nothing that is this kind of loader."""


class BootLoader(Protocol):
    """A conversation with the boot loader of one chip."""

    @property
    def baud(self) -> int:
        """The speed at which it answered."""
        ...

    @property
    def erases_in_order(self) -> bool:
        """Whether each page that is written erases the one after the last erased, wherever it lies itself.

        Such a loader can rewrite page n only after all pages below it.
        """
        ...

    def sync(self, settle_s: Sequence[float] = SETTLE_S) -> None:
        """Get in step, with a fresh reset for each try.

        Raises:
            SilentLoaderError: nothing answers; with the list of what to check.

        """
        ...

    def signature(self) -> bytes:
        """The chip's three bytes."""
        ...

    def begin(self) -> None:
        """Enter programming mode."""
        ...

    def leave(self) -> None:
        """Leave programming mode: the loader starts what page 0 holds."""
        ...

    def read_page(self, page: int) -> bytes:
        """The bytes of one page."""
        ...

    def write_page(self, page: int, data: bytes) -> None:
        """Erase and write one page; returns when the loader says it is done."""
        ...


def check_signature(found: bytes, chip: Chip, name: str) -> None:
    """Refuse another chip than the one that is expected on the port ``name``.

    Raises:
        LoaderError: both chips are named.

    """
    if found == chip.signature:
        return
    known = SIGNATURES.get(found, "a chip this version doesn't know")
    raise LoaderError(
        Fault(
            f"the board on {name} has another chip: {known}",
            quantity="signature",
            value=found.hex(" ").upper(),
            limit=f"{chip.signature.hex(' ').upper()} ({chip.name})",
            remedy=f"choose the port of {chip.board.replace('an ', 'the ', 1).replace('a ', 'the ', 1)}, "
            "or name this board's kind in figure.toml",
        )
    )


def checklist(chip: Chip) -> str:
    """What to look at when no loader answers; shown once, instead of "not in sync" ten times."""
    return (
        "check, in this order: the board's power light; a data cable (many are charge-only); the right port "
        "(`quarterjack ports`); nothing wired to pins 0 and 1; no other program on the port; "
        f"the board is {chip.board} with its loader"
    )


def silent(transport: Transport, chip: Chip, tries: int, heard: bytes) -> SilentLoaderError:
    """The error for a loader that never got in step; ``heard`` is what came instead, if anything."""
    return SilentLoaderError(
        Fault(
            f"something on {transport.name} answers, but not as {chip.board}'s boot loader does"
            if heard
            else f"the board on {transport.name} isn't answering: its boot loader said nothing",
            quantity="tries, each with a fresh reset",
            value=f"{tries}" + (f"; last heard {heard.hex(' ')}" if heard else ""),
            remedy=checklist(chip),
        )
    )


def stopped_answering(name: str, command: int) -> LoaderError:
    """The error for a loader that answered before and no longer does."""
    return LoaderError(f"the boot loader on {name} stopped answering (command {command:02X})")


def out_of_step(name: str, command: int, got: bytes, wanted: str) -> LoaderError:
    """The error for an answer that belongs to no question."""
    return LoaderError(
        Fault(
            f"the boot loader on {name} is out of step at command {command:02X}",
            value=f"{got[:8].hex(' ')}{' ...' if len(got) > 8 else ''} ({len(got)} bytes)",
            limit=wanted,
            remedy="a loose cable or something wired to pins 0 and 1; try again",
        )
    )
