"""Reads ``figure.toml`` into a :class:`~sequencer.figure.model.Figure`, telling every fault at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from sequencer.errors import Fault, FigureError
from sequencer.figure import build, toml_lines
from sequencer.figure.cross import cross_check
from sequencer.figure.explain import Reporter, nearest
from sequencer.figure.geometry import check_geometry
from sequencer.figure.lumps import mass_lumps
from sequencer.figure.model import Figure
from sequencer.figure.parts import Parts
from sequencer.figure.pins import PINS
from sequencer.figure.schema import (
    AxisTable,
    InputTable,
    LampTable,
    OpeningTable,
    ServoTable,
    SwitchTable,
    TopTable,
)
from sequencer.figure.schema_i2c import ExpanderTable
from sequencer.figure.schema_linkages import LINKAGES, ClearanceTable
from sequencer.figure.schema_masses import SHAPES
from sequencer.figure.schema_outputs import SENSORS, CurrentTable, StringTable, VoltageTable
from sequencer.figure.schema_values import NAME_PATTERN
from sequencer.figure.toml_text import parse_toml

#: A figure file is written by hand; a bigger one is a wrong file.
LARGEST_BYTES = 1_000_000
_SECTIONS = (
    "servos",
    "axes",
    "masses",
    "lamps",
    "switches",
    "inputs",
    "openings",
    "expanders",
    "linkages",
    "clearances",
    "poses",
    "strings",
)
_T = TypeVar("_T", bound=BaseModel)


def read_figure(path: Path) -> Figure:
    """The figure in ``path``, which is ``figure.toml`` or the show folder that holds it.

    Raises :class:`~sequencer.errors.FigureError` with every fault found: file, line, key, remedy.
    """
    data, shown = _bytes(path)
    return parse_figure(data, shown)


def _bytes(path: Path) -> tuple[bytes, str]:
    """What the figure file holds, and its name in faults."""
    file = path / "figure.toml" if path.is_dir() else path
    shown = str(file)
    try:
        with file.open("rb") as stream:
            return stream.read(LARGEST_BYTES + 1), shown
    except FileNotFoundError:
        raise FigureError(
            Fault(
                "there is no figure file here",
                file=shown,
                remedy="name the show's folder, or make one with `quarterjack new DIR`",
            )
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FigureError(
            Fault(f"cannot be read: {reason}", file=shown, remedy="check the path and its permissions")
        ) from None


def parse_figure(data: bytes, file: str = "figure.toml") -> Figure:
    """The figure in the bytes of a figure file; ``file`` is its name in faults."""
    text = _decode(data, file)
    return figure_of(parse_toml(text, file), Reporter(file, text, toml_lines.places(text)))


def document_of(path: Path) -> dict[str, Any]:
    """The tables of a figure file as TOML says them, unchecked.

    Raises :class:`~sequencer.errors.FigureError` when the file cannot be read as TOML.
    """
    data, shown = _bytes(path)
    return parse_toml(_decode(data, shown), shown)


def figure_of(document: Mapping[str, Any], reporter: Reporter) -> Figure:
    """The figure that the tables of a document describe; every fault goes through ``reporter``.

    Raises :class:`~sequencer.errors.FigureError` with all of them.
    """
    file = reporter.file
    parts = _parts(document, reporter)
    cross_check(parts, reporter)
    lumps = mass_lumps(parts.masses, reporter)
    if reporter.faults or parts.top is None:
        faults = sorted(reporter.faults, key=lambda fault: (fault.line or 0, fault.column or 0))
        raise FigureError.from_faults(faults)
    built = build.figure(parts, parts.top, reporter, file, lumps)
    check_geometry(built, reporter)
    if reporter.faults:
        raise FigureError.from_faults(reporter.faults)
    return build.with_friction(built)


def _decode(data: bytes, file: str) -> str:
    if len(data) > LARGEST_BYTES:
        raise FigureError(
            Fault(
                "is too big for a figure file",
                file=file,
                value=f"more than {LARGEST_BYTES} bytes",
                limit=f"{LARGEST_BYTES} bytes",
                remedy="check that this is the right file",
            )
        )
    try:
        return data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - (data.rfind(b"\n", 0, error.start) + 1) + 1
        raise FigureError(
            Fault(
                f"byte {data[error.start]:#04x} is not UTF-8 text",
                file=file,
                line=line,
                column=column,
                remedy="save the file as UTF-8 (in the editor: encoding UTF-8)",
            )
        ) from None


def _parts(document: Mapping[str, Any], reporter: Reporter) -> Parts:
    """Every table that is right, each checked alone; faults go to the reporter."""
    board = document.get("board")
    kind = board.get("kind") if isinstance(board, dict) else None
    if isinstance(kind, str) and kind in PINS:
        reporter.board = kind
    reporter.expanders = _names(document, "expanders")
    top = _checked(
        TopTable,
        {key: value for key, value in document.items() if key not in _SECTIONS},
        (),
        reporter,
        extra_known=_SECTIONS,
    )
    inputs, sensors = _inputs(document, reporter)
    return Parts(
        top=top,
        servos=_section(document, "servos", ServoTable, reporter),
        axes=_section(document, "axes", AxisTable, reporter),
        masses=_worded(document, "masses", "shape", SHAPES, reporter),
        lamps=_section(document, "lamps", LampTable, reporter),
        switches=_section(document, "switches", SwitchTable, reporter),
        inputs=inputs,
        sensors=sensors,
        strings=_section(document, "strings", StringTable, reporter),
        openings=_section(document, "openings", OpeningTable, reporter),
        linkages=_worded(document, "linkages", "kind", LINKAGES, reporter),
        clearances=_section(document, "clearances", ClearanceTable, reporter),
        poses=_poses(document, reporter),
        servo_names=_names(document, "servos"),
        axis_names=_names(document, "axes"),
        linkage_names=_names(document, "linkages"),
        expanders=_section(document, "expanders", ExpanderTable, reporter),
        expander_names=_names(document, "expanders"),
    )


def _names(document: Mapping[str, Any], section: str) -> tuple[str, ...]:
    tables = document.get(section, {})
    return tuple(tables) if isinstance(tables, dict) else ()


def _checked(
    model: type[_T],
    table: Any,
    path: toml_lines.Path,
    reporter: Reporter,
    extra_known: tuple[str, ...] = (),
) -> _T | None:
    try:
        return model.model_validate(table, context={"kind": reporter.board, "expanders": reporter.expanders})
    except ValidationError as error:
        reporter.from_pydantic(path, error.errors(include_url=False), model, extra_known)
    except (OverflowError, RecursionError):
        reporter.add(path, "a number is too big", remedy="check the number and its unit")
    return None


def _named(document: Mapping[str, Any], section: str, reporter: Reporter) -> dict[str, Any]:
    """The tables ``[section.NAME]``, with a fault for each that is no table or has a bad name."""
    tables = document.get(section, {})
    single = {"axes": "axis", "masses": "mass", "switches": "switch"}.get(section, section[:-1])
    if not isinstance(tables, dict):
        reporter.add(
            (section,), "must be a table", remedy=f"write [{section}.NAME] above the {single}'s keys"
        )
        return {}
    good: dict[str, Any] = {}
    loose = [name for name, table in tables.items() if not isinstance(table, dict)]
    if loose:
        reporter.add(
            (section, loose[0]),
            f"stands in [{section}] without a {single}'s name",
            remedy=f"write [{section}.NAME] above the {single}'s keys",
        )
    for name, table in tables.items():
        if name in loose:
            continue
        if not re.match(NAME_PATTERN, name):
            reporter.add(
                (section, name),
                "this name cannot be used",
                remedy="use small letters, digits and _, beginning with a letter, at most 24",
            )
        else:
            good[name] = table
    return good


def _inputs(
    document: Mapping[str, Any], reporter: Reporter
) -> tuple[dict[str, InputTable], dict[str, CurrentTable | VoltageTable]]:
    """The inputs that are on or off, and the analog ones."""
    inputs: dict[str, InputTable] = {}
    sensors: dict[str, CurrentTable | VoltageTable] = {}
    for name, table in _named(document, "inputs", reporter).items():
        kind = table.get("kind")
        model = SENSORS.get(kind) if isinstance(kind, str) else None
        if model is None:
            if (item := _checked(InputTable, table, ("inputs", name), reporter)) is not None:
                inputs[name] = item
        elif (sensor := _checked(model, table, ("inputs", name), reporter)) is not None:
            sensors[name] = sensor
    return inputs, sensors


def _section(document: Mapping[str, Any], section: str, model: type[_T], reporter: Reporter) -> dict[str, _T]:
    good: dict[str, _T] = {}
    for name, table in _named(document, section, reporter).items():
        if (item := _checked(model, table, (section, name), reporter)) is not None:
            good[name] = item
    return good


def _worded(
    document: Mapping[str, Any], section: str, key: str, models: Mapping[str, type[_T]], reporter: Reporter
) -> dict[str, _T]:
    """Tables of which the word at ``key`` says what else they hold."""
    good: dict[str, _T] = {}
    for name, table in _named(document, section, reporter).items():
        path = (section, name)
        word = table.get(key)
        if isinstance(word, str) and word in models:
            if (item := _checked(models[word], table, path, reporter)) is not None:
                good[name] = item
            continue
        words = ", ".join(f'"{known}"' for known in models)
        if word is None:
            reporter.add((*path, key), "is missing", remedy=f"add `{key} = ...`, one of {words}")
        else:
            guess = nearest(word, models) if isinstance(word, str) else None
            reporter.add(
                (*path, key),
                f"there is no such {key}" + (f"; did you mean `{guess}`?" if guess else ""),
                remedy=f"use one of {words}",
                value=word,
            )
    return good


def _poses(document: Mapping[str, Any], reporter: Reporter) -> dict[str, dict[str, float]]:
    """Poses as written: pose -> {axis: degrees}."""
    poses: dict[str, dict[str, float]] = {}
    for name, table in _named(document, "poses", reporter).items():
        values: dict[str, float] = {}
        for key, value in table.items():
            path = ("poses", name, key)
            if not key.endswith("_deg"):
                reporter.add(
                    path,
                    f"unknown key `{key}`: an angle needs its unit in the key's name",
                    remedy=f"write `{key}_deg = ...`, in degrees",
                )
            elif isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) <= 360:
                reporter.add(path, "must be an angle", value=value, limit="-360 to 360 degrees")
            else:
                values[key[: -len("_deg")]] = float(value)
        poses[name] = values
    return poses
