"""The link's messages: one table, read from ``messages.toml``, drives encode, decode and checks."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources

from sequencer.errors import LinkError, UsageError

Value = int | str | tuple[int, ...]
#: Bytes of each field type of ``messages.toml``.
SIZES = {"u8": 1, "u16": 2, "u32": 4, "char16": 16, "i16s": 0}


@dataclass(frozen=True)
class Kind:
    """One message's definition: its number, which way it goes, what answers it, its (name, type) fields.

    ``most`` is how many numbers an ``i16s`` at its end may have.
    """

    name: str
    code: int
    to: str
    answer: str | None
    fields: tuple[tuple[str, str], ...]
    most: int = 0

    @property
    def size(self) -> int:
        """Bytes of the body, without those of an ``i16s``."""
        return sum(SIZES[form] for _, form in self.fields)


@dataclass(frozen=True)
class Message:
    """One message as it went over the line."""

    name: str
    seq: int
    fields: Mapping[str, Value] = field(default_factory=dict)

    def number(self, name: str) -> int:
        """A field that is a number."""
        value = self.fields[name]
        assert isinstance(value, int), f"{self.name}.{name} is text"
        return value

    def words(self, name: str) -> str:
        """A field that is text."""
        return str(self.fields[name])


@dataclass(frozen=True)
class Catalogue:
    """Every message, by name and by number."""

    protocol: int
    baud: int
    by_name: Mapping[str, Kind]
    by_code: Mapping[int, Kind]


@cache
def catalogue() -> Catalogue:
    """The messages of ``messages.toml``, read once."""
    source = resources.files("sequencer.board").joinpath("messages.toml").read_text(encoding="utf-8")
    raw = tomllib.loads(source)
    kinds = [
        Kind(
            name=entry["name"],
            code=entry["type"],
            to=entry["to"],
            answer=entry.get("answer"),
            fields=tuple((name, form) for name, form in entry["fields"]),
            most=entry.get("most", 0),
        )
        for entry in raw["message"]
    ]
    by_name = {kind.name: kind for kind in kinds}
    by_code = {kind.code: kind for kind in kinds}
    assert len(by_name) == len(by_code) == len(kinds), "messages.toml repeats a name or a type"
    return Catalogue(raw["protocol"], raw["baud"], by_name, by_code)


def encode_body(kind: Kind, fields: Mapping[str, Value]) -> bytes:
    """The body's bytes.

    Raises:
        UsageError: a field is missing, unknown or out of range ("scene must be in range 0..255").

    """
    known = {name for name, _ in kind.fields}
    strange = [name for name in fields if name not in known]
    if strange:
        raise UsageError(
            f"{kind.name} has no field {strange[0]!r}; it has: {', '.join(sorted(known)) or 'none'}"
        )
    body = bytearray()
    for name, form in kind.fields:
        if name not in fields:
            raise UsageError(f"{kind.name} needs the field {name!r}")
        value = fields[name]
        size = SIZES[form]
        if form == "char16":
            raw = str(value).encode("utf-8")
            if len(raw) > size:
                raise UsageError(f"{name} must be at most {size} bytes of UTF-8, not {len(raw)}")
            body += raw.ljust(size, b"\0")
            continue
        if form == "i16s":
            body += _points(name, value, kind.most)
            continue
        top = (1 << (8 * size)) - 1
        if isinstance(value, bool) or not isinstance(value, int):
            raise UsageError(f"{name} must be a whole number, not {value!r}")
        if not 0 <= value <= top:
            raise UsageError(f"{name} must be in range 0..{top}, not {value}")
        body += value.to_bytes(size, "little")
    return bytes(body)


def _points(name: str, value: Value, most: int) -> bytes:
    if not isinstance(value, tuple) or len(value) > most:
        raise UsageError(f"{name} must be at most {most} whole numbers, not {value!r}")
    if not all(-0x8000 <= item <= 0x7FFF for item in value):
        raise UsageError(f"{name} must be in range -32768..32767, not {value!r}")
    return b"".join(item.to_bytes(2, "little", signed=True) for item in value)


def decode_body(kind: Kind, body: bytes) -> dict[str, Value]:
    """The body's fields.

    Raises:
        LinkError: the body has another length than the table says (host and board differ in version).

    """
    rest = len(body) - kind.size
    if rest < 0 or rest > 2 * kind.most or rest % 2:
        raise LinkError(f"{kind.name} has {len(body)} bytes where this version expects {kind.size}")
    fields: dict[str, Value] = {}
    at = 0
    for name, form in kind.fields:
        raw = body[at : at + SIZES[form]]
        at += SIZES[form]
        if form == "char16":
            fields[name] = raw.rstrip(b"\0").decode("utf-8", errors="replace")
        elif form == "i16s":
            fields[name] = tuple(
                int.from_bytes(body[i : i + 2], "little", signed=True) for i in range(at, len(body), 2)
            )
        else:
            fields[name] = int.from_bytes(raw, "little")
    return fields
