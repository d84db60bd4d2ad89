"""A text as TOML, and why it is none in a builder's words, on the line that has to be changed."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from sequencer.errors import Fault, FigureError

_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)\s*$")
_USUAL = "one `key = value` a line, text in quotes, tables as [servos.turn]"
#: How the reader's complaint begins -> what is wrong, what to do.
_PLAIN = {
    "Cannot overwrite a value": ("this key is already in its table", "keep one of the two lines"),
    "Unclosed array": ("the list that begins here is not closed", "close it with ]"),
    "Illegal character": ("the text is not closed on its line", "end it with the quote it begins with"),
    "Unterminated string": ("the text is not closed", "end it with the quotes it begins with"),
}
_TWICE = re.compile(r"Cannot declare \((.*?),?\) twice")


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """The tables of a text. Raises :class:`~sequencer.errors.FigureError` when it is not TOML."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise FigureError(
            Fault("brackets are nested too deeply", file=file, remedy="remove the surplus brackets")
        ) from None
    except ValueError as error:  # TOMLDecodeError, and numbers with thousands of digits
        raise FigureError(_fault(text, file, str(error))) from None


def _fault(text: str, file: str, message: str) -> Fault:
    found = _AT.search(message)
    rows = text.split("\n")
    line: int | None = None
    column: int | None = None
    if found and found.group(1):
        line, column = int(found.group(1)), int(found.group(2))
    elif found:
        # The end of the document is where its last words end, not the empty line after them.
        line = len(text.rstrip().split("\n"))
        column = len(rows[line - 1].rstrip()) + 1
    elif "digits" in message:
        message = "a number has too many digits"
    else:
        message = message.splitlines()[0][:200] if message else "is not TOML"
    said, remedy = _plain(_AT.sub("", message), rows, line)
    if "list" in said and line is not None:
        line, column = _opened(rows, line)
    row = rows[line - 1].rstrip("\r") if line and line <= len(rows) else None
    return Fault(
        f"cannot be read as TOML: {said}",
        file=file,
        line=line,
        column=column,
        text=row if row is not None and len(row) <= 160 else None,
        remedy=remedy,
    )


def _plain(message: str, rows: list[str], line: int | None) -> tuple[str, str]:
    """What is wrong and what to do."""
    twice = _TWICE.match(message)
    if twice:
        table = ".".join(part.strip(" '\"") for part in twice.group(1).split(","))
        return f"the table [{table}] is there twice", "put its keys into one table, or give one another name"
    if message == "Invalid value" and line is not None and re.search(r"=\s*(#|$)", rows[line - 1]):
        return "the value is missing", "write it behind the ="
    for begins, words in _PLAIN.items():
        if message.startswith(begins):
            return words
    return message[:1].lower() + message[1:], _USUAL


def _opened(rows: list[str], line: int) -> tuple[int, int]:
    """Where the list begins that is found open at ``line``: the nearest key before it that has one."""
    for number in range(line, 0, -1):
        found = re.match(r"[^#=]*=\s*(?=\[)", rows[number - 1])
        if found:
            return number, found.end() + 1
    return line, 1
