"""A show that is being worked on: read, planned, built and checked again and again, only what changed anew.

What is planned in a session goes on from what was planned before (:mod:`.motion.window`): certified like
everything else, and nearer than 0.01 degree to what `compile` and `flash` plan, which begin anew.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.files import content
from sequencer.kept import Kept
from sequencer.show import build_planned, check_built, plan_show
from sequencer.show_folder import Show, read_show, with_idle
from sequencer.show_model import CheckedShow, Tell, silent

if TYPE_CHECKING:
    from sequencer.figure.model import Figure
    from sequencer.timeline.scene import Scene


class Session:
    """One show folder, kept ready.

    Args:
        folder: the show's.
        names: the scenes to look at, with the idle loop; none means all.
    """

    def __init__(self, folder: Path, names: Sequence[str] = ()) -> None:
        from sequencer.motion.cache import PlanMemory, cache_folder

        self.folder = folder
        self._names = tuple(names)
        self._kept = Kept()
        self._memory = PlanMemory(cache_folder(), windows=True)

    def refresh(self, tell: Tell = silent) -> CheckedShow:
        """The show as its files say now.

        Raises:
            QuarterjackError: as :func:`.show_folder.read_show`, :func:`.show.plan_show` and
                :func:`.show.build_planned`. The session goes on: mend the file and refresh again.
        """
        show = self.read()
        planned = plan_show(show, with_idle(show, self._names), tell, kept=self._kept, memory=self._memory)
        checked = check_built(build_planned(planned, tell, kept=self._kept), tell, kept=self._kept)
        # Not before: while a file is in the middle of an edit and cannot be read, nothing is forgotten.
        self._kept.turn()
        return checked

    def read(self) -> Show:
        """The files as they are now. What has not changed is the very same object as before.

        Raises:
            InputError: as :func:`.show_folder.read_show`.
        """
        return read_show(self.folder, self._figure, self._scene)

    def _figure(self, file: Path) -> Figure:
        from sequencer.figure.read import read_figure

        return self._kept.of(("figure", *_contents(file)), lambda: read_figure(file))

    def _scene(self, file: Path) -> Scene:
        from sequencer.timeline.parse import parse_scene

        return self._kept.of(("scene", file, content(file)), lambda: parse_scene(file))


def _contents(figure: Path) -> Iterator[object]:
    """A figure file and what is in it, then the same of every file that it names (a mesh)."""
    text = content(figure)
    yield figure
    yield text
    try:
        table = tomllib.loads((text or b"").decode())
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return
    for word in _words(table):
        file = figure.parent / word
        if "\0" not in word and len(word) < 256 and file.is_file():
            yield word
            yield content(file)


def _words(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from _words(item)
    elif isinstance(value, list):
        for item in value:
            yield from _words(item)
