"""The mapping table from a MIDI file to a figure's channels: ``NAME.map.toml``.

::

    [axes.turn]              # a controller moves an axis
    channel = 1              # 1..16
    controller = 16
    bits = 14                # 7, or 14: controller + 32 holds the low seven bits
    range_deg = [-60, 60]    # what 0 and the largest value mean
    smooth_s = 0.1           # a change after a longer pause takes this long (its value is there on time)

    [axes.jaw]               # notes open an axis, harder is wider
    channel = 2
    notes = [48, 84]         # all from the lowest to the highest; one note is a number alone: notes = 72
    open_deg = 18
    shut_deg = 0
    open_s = 0.08
    shut_s = 0.12

    [lamps.left_eye]         # notes hit a lamp, or: controller, bits, range_percent
    channel = 10
    notes = 38
    hit_percent = 100
    rest_percent = 30
    fade_s = 0.3

    [switches.bell]
    channel = 10
    notes = 49
    does = "strike"          # or "hold": on while the note sounds
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from sequencer.errors import Fault, MidiError
from sequencer.timeline.words import remedy_for

_Channel = Annotated[int, Field(ge=1, le=16, strict=True)]
_Seven = Annotated[int, Field(ge=0, le=127, strict=True)]
# strict: true is no number, nor is text
_Angle = Annotated[float, Field(ge=-360, le=360, allow_inf_nan=False, strict=True)]
_Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False, strict=True)]
_Seconds = Annotated[float, Field(ge=0.001, le=60, allow_inf_nan=False, strict=True)]

#: What each key takes, in words; a fault of a value says this.
_TAKES = {
    "channel": "a whole number from 1 to 16",
    "controller": "a whole number from 0 to 127",
    "bits": "7 or 14",
    "notes": "one note, like 72, or the lowest and the highest of several, like [60, 72]; "
    "notes run from 0 to 127",
    "range_deg": "two different angles from -360 to 360, like [-20, 20]",
    "range_percent": "two different levels from 0 to 100, like [10, 90]",
    "open_deg": "an angle from -360 to 360 that differs from shut_deg",
    "shut_deg": "an angle from -360 to 360 that differs from open_deg",
    "smooth_s": "seconds from 0.001 to 60",
    "open_s": "seconds from 0.001 to 60",
    "shut_s": "seconds from 0.001 to 60",
    "fade_s": "seconds from 0.001 to 60",
    "hit_percent": "a level from 0 to 100",
    "rest_percent": "a level from 0 to 100",
    "does": '"strike" or "hold"',
}


def _differing(ends: tuple[float, float]) -> tuple[float, float]:
    if ends[0] == ends[1]:
        raise ValueError("both ends are the same")
    return ends


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    channel: _Channel


class _Controlled(_Table):
    controller: _Seven
    bits: Literal[7, 14] = 7

    @model_validator(mode="after")
    def _low_half(self) -> _Controlled:
        if self.bits == 14 and self.controller > 31:
            raise ValueError("a 14-bit controller is numbered 0 to 31 (its low half is that number + 32)")
        return self


class _Noted(_Table):
    notes: _Seven | tuple[_Seven, _Seven]

    @field_validator("notes")
    @classmethod
    def _in_order(cls, notes: int | tuple[int, int]) -> int | tuple[int, int]:
        if not isinstance(notes, int) and notes[0] > notes[1]:
            raise ValueError("the lowest note stands first")
        return notes

    @property
    def span(self) -> tuple[int, int]:
        """Lowest and highest note."""
        return (self.notes, self.notes) if isinstance(self.notes, int) else self.notes


class AxisByController(_Controlled):
    """A controller moves an axis."""

    range_deg: tuple[_Angle, _Angle]
    smooth_s: _Seconds = 0.1

    _moves = field_validator("range_deg")(_differing)


class AxisByNotes(_Noted):
    """Notes open an axis."""

    open_deg: _Angle
    shut_deg: _Angle = 0.0
    open_s: _Seconds = 0.08
    shut_s: _Seconds = 0.12

    @field_validator("shut_deg")
    @classmethod
    def _opens(cls, shut_deg: float, info: ValidationInfo) -> float:
        if shut_deg == info.data.get("open_deg"):
            raise ValueError("both ends are the same")
        return shut_deg


class LampByController(_Controlled):
    """A controller sets a lamp."""

    range_percent: tuple[_Percent, _Percent] = (0.0, 100.0)

    _changes = field_validator("range_percent")(_differing)


class LampByNotes(_Noted):
    """Notes hit a lamp; velocity scales the hit."""

    hit_percent: _Percent = 100.0
    rest_percent: _Percent = 0.0
    fade_s: _Seconds = 0.3


class SwitchByNotes(_Noted):
    """Notes strike or hold a switch."""

    does: Literal["strike", "hold"] = "strike"


class MidiMap(BaseModel):
    """The whole table."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    axes: dict[str, AxisByController | AxisByNotes] = {}
    lamps: dict[str, LampByController | LampByNotes] = {}
    switches: dict[str, SwitchByNotes] = {}
    file: str = Field(default="", exclude=True)


_SECTIONS: dict[str, tuple[type[BaseModel], type[BaseModel]]] = {
    "axes": (AxisByController, AxisByNotes),
    "lamps": (LampByController, LampByNotes),
    "switches": (SwitchByNotes, SwitchByNotes),
}


def read_map(path: Path) -> MidiMap:
    """Read a mapping table. Raises :class:`MidiError` with every fault, its key and line."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise MidiError(
            Fault("there is no such mapping table", str(path),
                  remedy="run the import without --map to see a starting table for this file")
        ) from None  # fmt: skip
    except (OSError, UnicodeDecodeError) as error:
        raise MidiError(Fault(f"the mapping table cannot be read: {error}", str(path))) from None
    return parse_map(text, str(path))


def parse_map(text: str, file: str) -> MidiMap:
    """Like :func:`read_map`, from text."""
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise MidiError(Fault(f"the mapping table is not TOML: {error}", file)) from None
    faults: list[Fault] = []
    read: dict[str, dict[str, Any]] = {section: {} for section in _SECTIONS}
    for section, table in tables.items():
        if section not in _SECTIONS or not isinstance(table, dict):
            faults.append(_fault(f"there is no section `{section}`", text, file, (section,), _known(section)))
            continue
        for name, entry in table.items():
            if not isinstance(entry, dict):
                faults.append(
                    _fault(
                        f"{section}.{name} must be a table",
                        text,
                        file,
                        (section, name),
                        f"write [{section}.{name}]",
                    )
                )
                continue
            by_controller, by_notes = _SECTIONS[section]
            model = by_notes if "notes" in entry else by_controller
            try:
                read[section][name] = model.model_validate(entry)
            except ValidationError as error:
                found = [_from_pydantic(item, text, file, section, name, model) for item in error.errors()]
                faults += dict.fromkeys(found)  # each way to read a value fails on its own: told once
    if not faults and not any(read.values()):
        faults.append(
            Fault("the mapping table maps nothing", file, remedy="give it a section like [axes.turn]")
        )
    if faults:
        raise MidiError.from_faults(faults)
    return MidiMap(**read, file=file)


def _known(section: str) -> str:
    return remedy_for(section, _SECTIONS)


def _from_pydantic(item: Any, text: str, file: str, section: str, name: str, model: type[BaseModel]) -> Fault:
    parts = [str(part) for part in item["loc"] if isinstance(part, str) and part in model.model_fields]
    key = parts[0] if parts else str(item["loc"][0]) if item["loc"] else ""
    path = (section, name, key) if key else (section, name)
    if item["type"] == "extra_forbidden":
        return _fault(
            f"unknown key `{key}` in {section}.{name}", text, file, path, remedy_for(key, model.model_fields)
        )
    if item["type"] == "missing" and len(item["loc"]) == 1:
        need = "controller = ... or notes = ..." if key == "controller" else f"{key} = ..."
        return _fault(f"{section}.{name} lacks `{key}`", text, file, (section, name), f"write {need}")
    if not key:
        reason = str(item["msg"]).removeprefix("Value error, ")
        return _fault(
            f"{section}.{name}: {reason}", text, file, path, "write bits = 7, or a controller from 0 to 31"
        )
    return _fault(f"{'.'.join(path)} cannot be this", text, file, path, f"{key} takes {_TAKES[key]}")


def check_names(table: MidiMap, names: Mapping[str, Collection[str]], text: str) -> None:
    """Raise :class:`MidiError` for channels that the figure does not have.

    ``names`` holds the figure's ``axes``, ``lamps`` and ``switches``; ``text`` is the table's.
    """
    kinds = {"axes": "axis", "lamps": "lamp", "switches": "switch"}
    faults = [
        _fault(
            f"the figure beside this table has no {kind} `{name}`", text, table.file, (section, name),
            remedy_for(name, names[section]),
        )
        for section, kind in kinds.items()
        for name in getattr(table, section)
        if name not in names[section]
    ]  # fmt: skip
    if faults:
        raise MidiError.from_faults(faults)


def _fault(message: str, text: str, file: str, path: tuple[str, ...], remedy: str) -> Fault:
    """A fault at the line of ``path``, found by reading section headers and keys."""
    where = ""
    for number, line in enumerate(text.splitlines(), 1):
        bare = line.split("#", 1)[0].strip()
        if bare.startswith("["):
            where = bare.strip("[] ").replace('"', "")
            if where == ".".join(path) or (where.startswith(f"{path[0]}.") and len(path) == 1):
                return Fault(message, file, number, 1, len(bare), line, remedy=remedy)
        elif bare and where == ".".join(path[:-1]) and bare.split("=", 1)[0].strip() == path[-1]:
            return Fault(message, file, number, line.index(path[-1]) + 1, len(path[-1]), line, remedy=remedy)
    return Fault(message, file, remedy=remedy)
