"""How commands speak: a console for people, one JSON object for programs, progress on a terminal only."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console


@cache
def console() -> Console:
    """The console on stdout: styled on a terminal, plain text otherwise."""
    from rich.console import Console

    # Piped output keeps whole lines: a program or a log file wraps them better than we would.
    return Console(highlight=False, soft_wrap=not sys.stdout.isatty())


def say_json(value: dict[str, Any]) -> None:
    """Print one JSON object and nothing else. Not-a-number is refused: it is not JSON."""
    print(json.dumps(value, indent=2, allow_nan=False))


@contextmanager
def progress(label: str, total: float = 1.0) -> Iterator[Callable[[float], None]]:
    """A bar for work over a second; yields ``report(done)``. Silent when stderr is not a terminal."""
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f}%"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=total)
        yield lambda done: bar.update(task, completed=done)
