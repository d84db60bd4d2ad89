"""Every way Quarterjack can refuse, on one page.

::

    QuarterjackError                    exit code
    |-- InputError                      2   a file or a use that cannot be right
    |   |-- UsageError                  2   the command line
    |   |-- FigureError                 2   figure.toml (all its faults at once)
    |   |-- SceneError                  2   a scene, a score, an event file
    |   |-- MidiError                   2   a MIDI file
    |   `-- ImageError                  2   a show image or a hex file that is damaged
    |-- FindingsError                   1   the show is readable but must not be built
    |   |-- PlanError                   1   no certified motion
    |   `-- RoomError                   1   the image does not fit the board
    `-- BoardError                      3
        |-- PortError                   3   the port: missing, denied, in use, several
        |-- LoaderError                 3   the boot loader: no sync, wrong chip, verify
        `-- LinkError                   3   the running player: silent, refused, lost
            `-- NotTakenError           3   it answered, and did not take a request

Each carries :class:`Fault` objects: where (file, line, column), which quantity, its value, its
limit, and what to do. ``str(error)`` is what the builder reads.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong, in words a builder can act on.

    ``message`` says what is wrong; the rest says where, how much, and what to do. ``text`` is the
    source line, under which a caret is drawn at ``column`` (1-based) over ``width`` characters.
    """

    message: str
    file: str | None = None
    line: int | None = None
    column: int | None = None
    width: int = 1
    text: str | None = None
    quantity: str | None = None
    value: str | None = None
    limit: str | None = None
    remedy: str | None = None

    def render(self) -> str:
        """The fault as the builder reads it: place, message, caret, value against limit, remedy."""
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part is not None)
        lines = [f"{place}: {self.message}" if place else self.message]
        if self.text is not None:
            lines.append(f"    {self.text}")
            if self.column is not None:
                lines.append("    " + " " * (self.column - 1) + "^" * max(1, self.width))
        facts = [
            f"{label}: {fact}"
            for label, fact in (("quantity", self.quantity), ("value", self.value), ("limit", self.limit))
            if fact is not None
        ]
        if facts and (self.value is not None or self.limit is not None):
            lines.append("    " + ", ".join(facts))
        if self.remedy is not None:
            lines.append(f"    do: {self.remedy}")
        return "\n".join(lines)


class QuarterjackError(Exception):
    """Anything Quarterjack refuses. ``faults`` holds one or more :class:`Fault`."""

    exit_code = 2

    def __init__(self, fault: Fault | str, more: Iterable[Fault] = ()) -> None:
        first = Fault(fault) if isinstance(fault, str) else fault
        self.faults: tuple[Fault, ...] = (first, *more)
        super().__init__("\n".join(item.render() for item in self.faults))

    @classmethod
    def from_faults(cls, faults: Iterable[Fault]) -> QuarterjackError:
        """One error that reports every fault found (at least one)."""
        first, *rest = faults
        return cls(first, rest)


class InputError(QuarterjackError):
    """A file or a use that cannot be right."""


class UsageError(InputError):
    """The command line asks for something that does not exist or does not go together."""


class FigureError(InputError):
    """``figure.toml`` is wrong; all faults at once."""


class SceneError(InputError):
    """A scene, score or event file is wrong."""


class MidiError(InputError):
    """A MIDI file or its mapping table is wrong."""


class ImageError(InputError):
    """A show image or hex file is damaged or not ours."""


class FindingsError(QuarterjackError):
    """The show can be read, but must not be built as it is."""

    exit_code = 1


class PlanError(FindingsError):
    """No certified motion exists; names track, quantity, time and remedy."""


class RoomError(FindingsError):
    """The image does not fit the board."""


class BoardError(QuarterjackError):
    """Board or port trouble."""

    exit_code = 3


class PortError(BoardError):
    """The port is missing, denied, in use, or there are several."""


class LoaderError(BoardError):
    """The boot loader does not answer, is another chip's, or the read-back differs."""


class LinkError(BoardError):
    """The running player is silent, refuses, or the cable went away."""


class NotTakenError(LinkError):
    """The running player answered, and did not take the request: it does not know it, or not now."""
