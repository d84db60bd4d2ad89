"""A validator's complaint in a builder's words, with the line."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, get_args, get_origin

from pydantic import BaseModel

from sequencer.errors import Fault
from sequencer.figure.toml_lines import Path, Place, find

#: How a key ends -> the unit it is given in.
UNITS = {
    "mv_per_a": "millivolts per ampere",
    "mv_per_v": "millivolts per volt",
    "s_per_60deg": "seconds for 60 degrees",
    "g_cm3": "grams per cubic centimetre",
    "kgcm_per_deg": "kg cm per degree",
    "percent": "per cent",
    "kgcm": "kg cm",
    "deg": "degrees",
    "us": "microseconds",
    "ms": "milliseconds",
    "mm": "millimetres",
    "ma": "milliamperes",
    "mv": "millivolts",
    "mhz": "megahertz",
    "khz": "kilohertz",
    "hz": "hertz",
    "g": "grams",
    "s": "seconds",
    "v": "volts",
    "a": "amperes",
    "c": "degrees Celsius",
}
_UNIT_PART = re.compile(
    r"^(?:(?:s|ms|us|sec|secs|seconds|min)_per_(?:60|90|45)?_?(?:deg|degrees|rad)|(?:deg|rad)_per_(?:s|sec)|rpm"
    r"|percent|pct|kgcm|kg_cm|ncm|nm|n_m|ozin|oz_in|gcm|deg|degs|degrees|rad|us|ms|s|sec|seconds|min|ns|usec"
    r"|mm|cm|m|in|inch|inches|um|ma|a|amp|amps|hz|khz|g|kg|oz|lb|lbs|v|mv|volt|volts|c|f|k|w)$"
)


def stem_and_unit(key: str) -> tuple[str, str | None]:
    """``speed_s_per_60deg`` -> (``speed``, ``s_per_60deg``); no unit -> (key, None)."""
    for ending in UNITS:
        if key == ending:
            return "", ending
        if key.endswith("_" + ending):
            return key[: -len(ending) - 1], ending
    return key, None


def unit_of(key: str) -> str:
    """The unit of a key in words, or nothing."""
    ending = stem_and_unit(key)[1]
    return UNITS[ending] if ending else ""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like ``word``, if any is."""
    matches = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return matches[0] if matches else None


class Reporter:
    """Collects faults of one file, each with its line."""

    def __init__(self, file: str, text: str, known: Mapping[Path, Place]) -> None:
        self.file = file
        self._rows = text.split("\n")
        self._known = known
        self.faults: list[Fault] = []
        #: The kind of board that the figure names: what `A0` means depends on it.
        self.board = "uno"
        self.expanders: tuple[str, ...] = ()

    def line(self, path: Path) -> int | None:
        """The line on which ``path`` (or the table around it) is written."""
        place = find(self._known, path)
        return place.line if place else None

    def add(
        self,
        path: Path,
        message: str,
        remedy: str | None = None,
        value: object = None,
        limit: str | None = None,
    ) -> None:
        """One fault about the key at ``path``."""
        place = find(self._known, path)
        row = self._rows[place.line - 1].rstrip("\r") if place and place.line <= len(self._rows) else None
        self.faults.append(
            Fault(
                message=f"{spelled(path)}: {message}" if path else message,
                file=self.file,
                line=place.line if place else None,
                column=place.column if place else None,
                width=min(place.width, 60) if place else 1,
                text=row if row is not None and len(row) <= 160 else None,
                quantity=spelled(path) or None,
                value=None if value is None else shown(value),
                limit=limit,
                remedy=remedy,
            )
        )

    def unknown_name(self, path: Path, what: str, name: str, known: Sequence[str]) -> None:
        """A name that nothing in the file has."""
        guess = nearest(name, known)
        listing = ", ".join(known) if known else "none are described yet"
        self.add(
            path,
            f"there is no {what} called `{name}`" + (f"; did you mean `{guess}`?" if guess else ""),
            remedy=f"use one of: {listing}" if known else f"describe the {what} first",
            value=name,
        )

    def from_pydantic(
        self, base: Path, errors: Sequence[Any], model: type[BaseModel], also_known: Sequence[str] = ()
    ) -> None:
        """Every complaint of one table, told once; ``also_known``: keys that may stand beside the model's."""
        suggested: set[Path] = set()
        ordered = sorted(errors, key=lambda error: error["type"] != "extra_forbidden")
        told: set[Path] = set()
        for error in ordered:
            inside = error["loc"]
            path = (*base, *inside)
            if error["type"] == "extra_forbidden":
                fields = [*_fields_at(model, inside[:-1]), *(also_known if len(inside) == 1 else ())]
                missing = {e["loc"][-1] for e in errors if e["type"] == "missing"}
                meant = self._unknown_key(path, str(inside[-1]), fields, missing)
                if meant:
                    suggested.add((*path[:-1], meant))
            elif error["type"] == "missing":
                if path not in suggested:
                    unit = unit_of(str(inside[-1]))
                    self.add(
                        path,
                        "is missing",
                        remedy=f"add a line `{inside[-1]} = ...`" + (f" in {unit}" if unit else ""),
                    )
            elif path not in told:
                told.add(path)
                self._wrong_value(path, error)

    def _unknown_key(self, path: Path, key: str, fields: Sequence[str], missing: set[Any]) -> str | None:
        """Say what an unknown key probably means; returns the key that was meant, if one is likely."""
        for field in sorted(fields, key=lambda name: name not in missing):
            stem, unit = stem_and_unit(field)
            rest = key[len(stem) + 1 :] if key.startswith(stem + "_") else None
            if unit and key == stem:
                self.add(
                    path,
                    f"unknown key `{key}`: a number needs its unit in the key's name",
                    remedy=f"write `{field}`, in {UNITS[unit]}",
                )
                return field
            if unit and rest and rest != unit and _UNIT_PART.match(rest):
                self.add(
                    path,
                    f"unknown key `{key}`: wrong unit, this is given in {UNITS[unit]}",
                    remedy=f"convert the number to {UNITS[unit]} and write `{field}`",
                )
                return field
        guess = nearest(key, fields)
        self.add(
            path,
            f"unknown key `{key}`" + (f"; did you mean `{guess}`?" if guess else ""),
            remedy=f"keys known here: {', '.join(fields)}" if fields else "remove it",
        )
        return guess

    def _wrong_value(self, path: Path, error: Any) -> None:
        kind = error["type"]
        context = error.get("ctx", {})
        value = error.get("input")
        key = next((str(part) for part in reversed(path) if isinstance(part, str)), "")
        unit = unit_of(key)
        of_unit = f" {unit}" if unit else ""
        plain = {
            "float_type": f"must be a number{' of' + of_unit if unit else ''}",
            "int_type": "must be a whole number",
            "int_from_float": "must be a whole number",
            "bool_type": "must be true or false",
            "string_type": 'must be text in quotes, like "turn"',
            "list_type": "must be a list in square brackets",
            "dict_type": "must be a table",
            "model_type": "must be a table",
            "model_attributes_type": "must be a table",
            "finite_number": "must be an ordinary number, not nan or inf",
            "direction": "is no direction: name a side or give three numbers that are not all zero",
            "pin_text": 'is not a pin: write 7, "D7" or "A0"',
            "output_text": "is no output of an expander; those are NAME.0 to NAME.15",
        }
        if kind in ("greater_than", "greater_than_equal"):
            least = context.get("gt", context.get("ge"))
            strict = kind == "greater_than"
            self.add(
                path,
                f"{shown(value)} is too small"
                if not strict or least
                else f"{shown(value)} must be more than zero",
                value=value,
                limit=f"{'more than' if strict else 'at least'} {least:g}{of_unit}",
                remedy=f"write {key} = {shown(-value)} if the sign slipped, or "
                + _remedy_for_range(key, unit)
                if isinstance(value, (int, float)) and strict and value < 0 < -value * (least == 0)
                else _remedy_for_range(key, unit),
            )
        elif kind in ("less_than", "less_than_equal"):
            most = context.get("lt", context.get("le"))
            self.add(
                path,
                f"{shown(value)} is too big",
                value=value,
                limit=f"at most {most:g}{of_unit}",
                remedy=_remedy_for_range(key, unit),
            )
        elif kind in ("too_short", "too_long"):
            wanted = context.get("min_length", context.get("max_length"))
            if kind == "too_short" and isinstance(value, str):
                self.add(path, "must not be empty", remedy="give it some text")
            else:
                self.add(path, f"must have {wanted} values", value=value, remedy=_example(key))
        elif kind == "string_too_short":
            self.add(path, "must not be empty", remedy="give it some text")
        elif kind == "string_too_long":
            self.add(path, "is too long", value=value, limit=f"{context.get('max_length')} characters")
        elif kind == "string_pattern_mismatch":
            self.add(
                path,
                f"`{shown(value)}` cannot be used as a word in scenes",
                remedy="use small letters, digits and _, beginning with a letter, at most 24",
            )
        elif kind == "literal_error":
            self.add(
                path,
                f"{shown(value)} is not possible here",
                value=value,
                remedy=f"write one of: {context.get('expected', '')}".replace("'", '"'),
            )
        elif isinstance(value, int) and abs(value) > 10**300:
            self.add(path, "the number is too big", value=value, remedy=_remedy_for_range(key, unit))
        else:
            message = plain.get(kind, str(error.get("msg", "is wrong")).lower())
            remedy = _example(key) or _sample(kind, key, unit, value)
            self.add(path, message, value=value, remedy=remedy)


def _sample(kind: str, key: str, unit: str, value: object) -> str:
    """How the value would be written: the number that stands in quotes, or one of the right kind."""
    if kind in ("float_type", "int_type", "int_from_float"):
        ending = (stem_and_unit(key)[1] or "").replace("_", " ")
        number = re.fullmatch(rf"\s*([-+]?\d+(?:[.,]\d+)?)\s*(?:{ending})?\s*", str(value), re.IGNORECASE)
        if number and isinstance(value, str):
            plain = number.group(1).replace(",", ".")
            return f"write {key} = {plain}, without quotes" + (f": it is in {unit}" if unit else "")
        return f"write a number after {key} =" + (f", in {unit}" if unit else "") + ", without quotes"
    return f"write it like {key} = {_SAMPLES.get(kind, '1')}"


#: Kind of complaint -> a value that would be right.
_SAMPLES = {
    "bool_type": "true",
    "string_type": '"a name"',
    "list_type": "[1, 2]",
    "dict_type": "{ ... }",
    "model_type": "{ ... }",
    "model_attributes_type": "{ ... }",
}


def _fields_at(model: type[BaseModel], inside: Sequence[Any]) -> list[str]:
    """The keys of the table at ``inside`` below ``model``."""
    named: Any = None
    for part in inside:
        if named is not None:
            model, named = named, None
            continue
        if isinstance(part, int):
            continue  # an element of a list: its table was found with the list
        field = model.model_fields.get(str(part))
        annotation: Any = field.annotation if field else None
        if get_origin(annotation) is dict:
            named = get_args(annotation)[1]  # tables by name: the next part is one's name
            continue
        # `Table | None` and `list[Table]` hold a table.
        annotation = next(iter(get_args(annotation)), annotation)
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            model = annotation
    return [field.alias or name for name, field in model.model_fields.items()]


def spelled(path: Path) -> str:
    """``("servos", "turn", "pulse_us", 1)`` as ``servos.turn.pulse_us[1]``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            plain = part if len(part) <= 40 else part[:37] + "..."
            text += f".{plain}" if text else plain
    return text


def shown(value: object) -> str:
    """A value short enough to print."""
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) >= 10**15:
        return f"a number of {value.bit_length() * 30103 // 100000 + 1} digits"
    text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _remedy_for_range(key: str, unit: str) -> str:
    if not unit:
        return "check the number"
    return f"check the number and its unit: `{key}` is in {unit}"


def _example(key: str) -> str | None:
    examples = {
        "pin": 'pin = 7 or pin = "D7"',
        "idle": 'idle = "idle" or idle = ["idle", "idle2"]',
        "plays": 'plays = "greet" or plays = ["greet", "wave"]',
        "pulse_us": "pulse_us = [500, 2500]",
        "ends_us": "ends_us = [900, 2100]",
        "range_deg": "range_deg = [-60, 60]",
        "words": 'words = ["right", "left"] (negative, positive)',
        "turns_about": 'turns_about = "up", "left", "forward" (or their opposites), or three numbers',
        "pivot_mm": "pivot_mm = [0, 0, 120]",
        "at_mm": "at_mm = [10, 0, 160]",
        "size_mm": "size_mm = [180, 150, 220]",
        "pull_g": "pull_g = [420, 180], toward the first word and toward the second",
        "amplitudes_mm": "amplitudes_mm = [12, 5], at the first and at the last of the counted swings",
        "turned_deg": "turned_deg = [0, 0, 90], about x, then y, then z",
        "middle_mm": "middle_mm = [10, 0, 160]",
        "swings": 'swings = [{ about = "left", hung_from_mm = 100, ten_swings_s = 7.5 }]',
        "axle_mm": "axle_mm = [2, 34, -90]",
        "joint_mm": "joint_mm = [-38, 34, 0]",
        "spring": "spring = { torque_kgcm = 1.5, at_deg = 0, rate_kgcm_per_deg = 0.02 }",
        "counterweight": "counterweight = { weight_g = 240, at_mm = [-92, 0, -64] }",
        "low_line": "low_line = { at_v = 4.8, speed_s_per_60deg = 0.2, stall_kgcm = 13 }",
        "drive": 'drive = { servo = "turn", ratio = 1.0 } or drive = { linkage = "neck" }',
    }
    return f"write it like {examples[key]}" if key in examples else None
