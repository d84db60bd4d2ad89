"""Where the firmware's sources and templates are, and how a template becomes text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sequencer.errors import Fault, InputError


def templates_folder() -> Path:
    """``firmware_templates``: inside the installed package, or beside it in a working copy.

    Raises:
        InputError: neither exists; the installation is broken.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "firmware_templates", package.parent / "firmware_templates"):
        if (folder / "sketch").is_dir():
            return folder
    raise InputError(
        Fault("the firmware's templates are missing", str(package), remedy="install Quarterjack again")
    )


def rendered(template: str, values: Mapping[str, Any]) -> str:
    """``sketch/TEMPLATE`` with its values; a value it does not know is an error, not a blank."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(templates_folder() / "sketch"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    return environment.get_template(template).render(**values)


def comment_text(text: str) -> str:
    """A name that may stand in a C comment."""
    return re.sub(r"[\x00-\x1f\x7f\\]", " ", text).replace("*/", "* /").replace("/*", "/ *")
