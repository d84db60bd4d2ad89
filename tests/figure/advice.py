"""What a remedy says, typed into a figure file's text as a builder would."""

from __future__ import annotations

import re

_VALUE = r"(?:\[[^\]]*\]|[-\w.]+)"
_LINE = rf"\w+ = {_VALUE}"
_PLACE = re.compile(rf"({_LINE}(?:(?:, | with | and ){_LINE})*) in (\[[\w.]+\](?: and \[[\w.]+\])*)")


def ways(remedy: str) -> list[str]:
    """Each of the alternatives that names a number to write."""
    return [way for way in re.split(rf",? or (?={_LINE})", remedy) if re.search(_LINE, way)]


def typed_in(text: str, way: str, table: str | None = None) -> str:
    """The text with every ``key = value`` of one way in the table that it names, else in ``table``."""
    found = _PLACE.findall(way) or [(way, f"[{table}]")]
    for lines, tables in found:
        for name in re.findall(r"\[([\w.]+)\]", tables):
            for key, value in re.findall(rf"(\w+) = ({_VALUE})", lines):
                text = set_key(text, name, key, value)
    return text


def set_key(text: str, table: str, key: str, value: str) -> str:
    """The text with one key of one table set; an empty ``table`` is the top of the file."""
    head = text.index(f"\n[{table}]") + 1 if table else 0
    after = text.find("\n[", head + 1)
    body = text[head:] if after < 0 else text[head:after]
    changed, count = re.subn(rf"(?m)^{key} = [^#\n]*", f"{key} = {value}  ", body)
    if not count:
        changed = body.replace("\n", f"\n{key} = {value}\n", 1)
    return text.replace(body, changed, 1)
