"""A show folder as read: ``figure.toml``, every ``*.scene``, ``event.toml``."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.errors import Fault, InputError, UsageError

if TYPE_CHECKING:
    from sequencer.event.learned import LearnedScene
    from sequencer.event.policy import Policy
    from sequencer.figure.model import Figure
    from sequencer.timeline.scene import Scene


@dataclass(frozen=True)
class Show:
    """A show folder as read: the machine, its scenes by name (sorted), and what plays when.

    ``learned`` is what scenes were seen to draw, for the stall guard.
    """

    folder: Path
    figure: Figure
    scenes: Mapping[str, Scene]
    policy: Policy
    learned: Mapping[str, LearnedScene] = field(default_factory=dict)


def read_show(
    folder: Path,
    figure_of: Callable[[Path], Figure] | None = None,
    scene_of: Callable[[Path], Scene] | None = None,
) -> Show:
    """Read everything in a show folder; ``figure_of`` and ``scene_of`` read its files, by default anew.

    Raises:
        InputError: every fault of the figure, or every fault of all scenes and the event file, at once.
    """
    from sequencer.event.learned import read_learned
    from sequencer.event.policy import read_policy
    from sequencer.figure.read import read_figure
    from sequencer.timeline.parse import parse_scene

    if not folder.is_dir():
        raise UsageError(
            Fault("is not a show folder", str(folder), remedy="name a folder that holds a figure.toml")
        )
    if not (folder / "figure.toml").exists():
        raise UsageError(
            Fault(
                "there is no figure.toml here",
                str(folder),
                remedy="name a show folder, or make one: quarterjack new DIR",
            )
        )
    figure_of = read_figure if figure_of is None else figure_of
    scene_of = parse_scene if scene_of is None else scene_of
    figure = figure_of(folder / "figure.toml")
    scenes: dict[str, Scene] = {}
    faults: list[Fault] = []
    for file in sorted(folder.glob("*.scene")):
        try:
            scene = scene_of(file)
        except InputError as error:
            faults.extend(error.faults)
            continue
        if scene.name in scenes:
            faults.append(
                Fault(
                    f"scene {scene.name} is already in {scenes[scene.name].file}",
                    str(file),
                    remedy="give one of them another name",
                )
            )
        scenes[scene.name] = scene
    if faults:
        raise InputError.from_faults(faults)
    loops = {name: scene.loop for name, scene in scenes.items()}
    triggers = [name for name, item in figure.inputs.items() if item.kind == "trigger"]
    policy = read_policy(folder / "event.toml", loops, triggers)
    return Show(folder, figure, scenes, policy, read_learned(folder) if figure.sensors else {})


def demo_folder() -> Path:
    """The Lantern Keeper's show folder: in the package when installed, else beside it in the checkout."""
    here = Path(__file__).parent
    for folder in (here / "shows" / "lantern_keeper", here.parent / "shows" / "lantern_keeper"):
        if folder.is_dir():
            return folder
    raise UsageError(
        Fault("the Lantern Keeper's show folder is missing", str(here), remedy="install Quarterjack again")
    )


def chosen(show: Show, names: Sequence[str]) -> list[str]:
    """The scenes asked for, all when none is named.

    Raises:
        UsageError: one of them does not exist, or the show has none.
    """
    import difflib

    if not show.scenes:
        raise UsageError(
            Fault("there is no *.scene file here", str(show.folder), remedy="write one; see LANGUAGE.md")
        )
    for name in names:
        if name not in show.scenes:
            near = difflib.get_close_matches(name, list(show.scenes), n=1)
            raise UsageError(
                Fault(
                    f"there is no scene {name}" + (f"; did you mean {near[0]}?" if near else ""),
                    str(show.folder),
                    remedy=f"scenes here: {', '.join(show.scenes)}",
                )
            )
    return list(names) or list(show.scenes)


def with_idle(show: Show, names: Sequence[str]) -> list[str]:
    """The scenes asked for and the idle loop, without which they are not entered as on the night.

    No names mean all scenes.
    """
    wanted = chosen(show, names)
    idle = show.policy.idle
    return wanted if idle is None or idle in wanted else [idle, *wanted]
