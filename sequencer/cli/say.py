"""How commands speak: a console for people, one JSON object for programs, progress on a terminal only."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import Console


@cache
def console() -> Console:
    """The console on stdout: styled on a terminal, plain text otherwise."""
    from rich.console import Console

    if sys.stdout.isatty():
        return Console(highlight=False)
    # Piped output keeps whole lines: who reads it wraps better than we would.
    return Console(highlight=False, soft_wrap=True, width=PLAIN_WIDTH)


def say_json(value: dict[str, Any]) -> None:
    """Print one JSON object and nothing else. Not-a-number is refused: it is not JSON."""
    print(json.dumps(value, indent=2, allow_nan=False))


#: Columns of tables where there is no terminal to ask.
PLAIN_WIDTH = 110


class Progress:
    """What work reports to; a silent one is used where stderr is not a terminal."""

    def tell(self, what: str, done: float) -> None:
        """``what`` is being done; ``done`` of it, 0..1."""

    def pages(self, what: str, done: int, total: int) -> None:
        """The same for countable work."""
        self.tell(what, done / max(1, total))


class _Bar(Progress):
    def __init__(self, bar: Any, task: Any) -> None:
        self._bar, self._task = bar, task

    def tell(self, what: str, done: float) -> None:
        self._bar.update(self._task, description=what, completed=done)


@contextmanager
def progress(label: str) -> Iterator[Progress]:
    """A bar for work that may take over a second; yields the :class:`Progress` to report to."""
    if not sys.stderr.isatty():
        yield Progress()
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f}%"),
        TimeElapsedColumn(),
    )
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        yield _Bar(bars, bars.add_task(label, total=1.0))


def as_typed(path: Path) -> str:
    """A path as it is written on a command line."""
    import shlex

    return shlex.quote(str(path))
