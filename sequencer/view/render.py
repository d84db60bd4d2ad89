"""The pages' templates and the files that are put into them, from package data."""

from __future__ import annotations

from importlib import resources
from typing import Any


def part(name: str) -> str:
    """The text of a style sheet or script that a page holds in itself."""
    return (resources.files("sequencer.view") / "templates" / name).read_text(encoding="utf-8")


def render(template: str, **values: Any) -> str:
    """A page from its template; names are escaped, and a value that is missing is an error."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sequencer.view", "templates"),
        undefined=jinja2.StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(**values)
