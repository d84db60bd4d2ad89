"""Readings written into a figure file's text, which keeps its comments and its order."""

from __future__ import annotations

import os
import shutil
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sequencer.errors import Fault, FigureError
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure

#: A key's new value: number, text, a list, a table; None removes the key.
Values = Mapping[str, Any]


def with_values(text: str, section: str, name: str | None, values: Values) -> str:
    """The file's ``text`` with ``values`` set in ``[section.name]``, everything else as it was.

    Without a name they go into ``[section]`` itself.

    Raises :class:`~sequencer.errors.FigureError` when the table is written in a way that cannot be edited
    without touching more than that.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    windows = "\r\n" in text
    plain = text.removeprefix("\ufeff").replace("\r\n", "\n")
    wanted = tomllib.loads(plain)
    _update(_table(wanted, section, name), values)
    try:
        document: Any = tomlkit.parse(plain)
        table = _table(document, section, name)
        for key, value in values.items():
            _set(table, key, value)
        edited = tomlkit.dumps(document)
        right = tomllib.loads(edited) == wanted
    except (TOMLKitError, KeyError, TypeError, ValueError):
        right, edited = False, plain
    if not right:
        lines = "; ".join(
            f"remove {key}" if value is None else f"{key} = {_item(value).as_string()}"
            for key, value in values.items()
        )
        raise FigureError(
            Fault(
                f"[{_shown(section, name)}] is written in a way that this tool does not edit",
                remedy=f"write it as a table of its own, or add by hand: {lines}",
            )
        )
    return ("\ufeff" if text.startswith("\ufeff") else "") + (
        edited.replace("\n", "\r\n") if windows else edited
    )


def _table(document: Any, section: str, name: str | None) -> Any:
    return document[section] if name is None else document[section][name]


def _shown(section: str, name: str | None) -> str:
    return section if name is None else f"{section}.{name}"


def _update(table: dict[str, Any], values: Values) -> None:
    for key, value in values.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value


def _set(table: Any, key: str, value: Any) -> None:
    if value is None:
        table.pop(key, None)
        return
    from tomlkit.items import Table

    held = table.get(key)
    if isinstance(value, Mapping) and isinstance(held, Table):
        # A table under a header of its own keeps that, and its comments.
        for inner in [name for name in held if name not in value]:
            held.remove(inner)
        for inner, part in value.items():
            _set(held, inner, part)
        return
    item = _item(value)
    if key in table:
        table[key] = item
        return
    # What stands below the last key (blank lines, the next part's heading) stays below the new one.
    body = getattr(getattr(table, "value", None), "body", None)
    after: list[Any] = []
    if isinstance(body, list):
        while body and body[-1][0] is None:
            after.insert(0, body.pop())
    table[key] = item
    if isinstance(body, list):
        body.extend(after)


def _item(value: Any) -> Any:
    import tomlkit

    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        for key, inner in value.items():
            inline[key] = _item(inner)
        return inline
    if isinstance(value, list):
        array = tomlkit.array()
        for inner in value:
            array.append(_item(inner))
        if any(isinstance(inner, Mapping) for inner in value):
            array.multiline(True)
        return array
    return tomlkit.item(value)


def write_values(
    file: Path, section: str, name: str | None, values: Callable[[dict[str, Any]], Values]
) -> Figure:
    """Set values in ``[section.name]`` of a figure file, given what the table says now.

    Returns the figure that results. The file is read anew, because an editor may have it open, and
    replaced as a whole.

    Raises :class:`~sequencer.errors.FigureError`, and writes nothing, when the figure could not be so.
    """
    try:
        text = file.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError):
        raise FigureError(Fault("cannot be read any more", file=str(file))) from None
    try:
        table = _table(tomllib.loads(text.removeprefix("\ufeff")), section, name)
    except (tomllib.TOMLDecodeError, KeyError):
        raise FigureError(
            Fault(f"[{_shown(section, name)}] is no longer there", file=str(file), remedy="write it again")
        ) from None
    edited = with_values(text, section, name, values(table))
    figure = parse_figure(edited.encode("utf-8"), str(file))
    replace_file(file, edited)
    return figure


def replace_file(path: Path, text: str) -> None:
    """All of ``text`` or nothing: to a temporary name beside it, then renamed; a link's target is written."""
    target = path.resolve()
    temporary = target.with_name(f".{target.name}.{os.getpid()}.new")
    try:
        temporary.write_bytes(text.encode("utf-8"))
        if target.exists():
            shutil.copymode(target, temporary)
        temporary.replace(target)
    except OSError as error:
        raise FigureError(
            Fault(
                f"cannot be written: {error.strerror or error}",
                file=str(path),
                remedy="check that you may write there and that the disk has room; nothing was changed",
            )
        ) from None
    finally:
        temporary.unlink(missing_ok=True)
