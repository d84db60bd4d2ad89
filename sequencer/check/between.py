"""What the player plays between scenes, read back from the compiled core: each way in and out, and each stop.

Decisions fall at common knots only, and none falls while a fade lasts. So these are all there are: out of a
loop at each of its common knots into each scene; from rest into a loop; a stop at each common knot of each
scene, and from where it stood back to rest; and from where the figure is parked to rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sequencer.check.played import rested, without_idle
from sequencer.player.player import Played, Player, Snapshot, What
from sequencer.tables.extra_stopping import frames_to_parked
from sequencer.tables.model import COMMON_FRAMES, SceneRecord, ShowImage, Transition

Kind = Literal["leave", "enter", "stop", "return", "settle"]
#: After a fade's last frame windows still hold points of it for up to four knots.
TAIL_FRAMES = 4 * COMMON_FRAMES
#: No more frames than this are looked at in one show: about two seconds of work.
MOST_FRAMES = 600_000


@dataclass(frozen=True)
class Crossing:
    """One kind of transition from every moment at which it can begin, as played.

    ``left`` or ``entered`` is None for rest. ``begins`` (K,) are frames on the clock of what is left.
    ``window`` (K, F, tracks, 4) holds the control points of the running span, ``phase`` (F,) the frame
    within the common knot, as in :class:`~sequencer.player.player.Played`.
    """

    kind: Kind
    left: str | None
    entered: str | None
    begins: NDArray[np.int64]
    window: NDArray[np.int16]
    phase: NDArray[np.int64]


@dataclass(frozen=True)
class Job:
    """Transitions that are played together: what they are, in words, the ``scene`` to name to `check` for
    them alone, the frames they take, and how to play them."""

    what: str
    scene: str | None
    frames: int
    play: Callable[[], Iterator[Crossing]]


def shared_out(jobs: Sequence[Job], most: int = MOST_FRAMES) -> tuple[list[Job], list[Job]]:
    """Those that ``most`` frames suffice for, in their order, and those that are left out."""
    taken: list[Job] = []
    left_out: list[Job] = []
    for job in jobs:
        if job.frames <= most:
            taken.append(job)
            most -= job.frames
        else:
            left_out.append(job)
    return taken, left_out


def jobs(show: ShowImage, image: bytes) -> list[Job]:
    """Every transition of a show, those of the idle loop first.

    Raises:
        ImageError: the core refuses the image.
    """
    core = _Core(show, image)
    loops = sorted((scene for scene in show.scenes if scene.loop), key=lambda scene: scene.name != show.idle)
    found = [core.settle()]
    found += [core.enter(loop) for loop in loops]
    for loop in loops:
        found += [core.leave(loop, scene) for scene in show.scenes if scene is not loop]
        if show.idle is None:
            found.append(core.to_rest(loop))
    found += [core.stop(scene) for scene in show.scenes]
    return found


class _Core:
    """A player at rest, and what can begin there."""

    def __init__(self, show: ShowImage, image: bytes) -> None:
        self.show = show
        self.player = Player(without_idle(image))
        self.boot = rested(self.player, show)
        self.rest = self.player.snapshot()

    def begun(self, scene: SceneRecord, repeats: int) -> None:
        """From rest: the scene has played its first frame."""
        self.player.restore(self.rest)
        self.player.cue(1, self.show.number(scene.name), repeats)
        phase = int(self.player.play(1).phase[0])
        if phase:
            self.player.play(COMMON_FRAMES - phase)

    def knots(self, scene: SceneRecord) -> Iterator[tuple[int, Snapshot]]:
        """Every common knot at which a scene, or a loop in full swing, can be left: frame and state."""
        self.begun(scene, 0 if scene.loop else 1)
        at = 1
        if scene.loop:
            turns = -(-(scene.fade_in_frames + TAIL_FRAMES) // scene.frames)
            self.player.play(turns * scene.frames - at)
            at = 0
        else:
            self.player.play(COMMON_FRAMES - at)
            at = COMMON_FRAMES
        while at < scene.frames:
            state = self.player.snapshot()
            yield at, state
            self.player.restore(state)
            self.player.play(COMMON_FRAMES)
            at += COMMON_FRAMES

    def settle(self) -> Job:
        """From parked to rest."""

        def play() -> Iterator[Crossing]:
            yield _crossing("settle", None, None, [0], [self.boot])

        return Job("from parked to rest", None, len(self.boot.phase), play)

    def enter(self, loop: SceneRecord) -> Job:
        """From rest into a loop."""
        frames = loop.fade_in_frames + TAIL_FRAMES

        def play() -> Iterator[Crossing]:
            self.player.restore(self.rest)
            self.player.cue(1, self.show.number(loop.name), 0)
            rows = self.player.play(COMMON_FRAMES + frames)
            yield _crossing("enter", None, loop.name, [0], [rows])

        return Job(f"from rest into `{loop.name}`", loop.name, frames, play)

    def transition(self, loop: SceneRecord, scene: SceneRecord | None) -> Transition:
        """The stored one; None is rest."""
        row = [item for item in self.show.scenes if item.loop].index(loop)
        column = len(self.show.scenes) if scene is None else self.show.number(scene.name)
        return self.show.transitions[row][column]

    def leave(self, loop: SceneRecord, scene: SceneRecord) -> Job:
        """From every common knot of a loop into a scene."""
        item = self.transition(loop, scene)
        fade_in = scene.fade_in_frames if scene.loop else 0
        frames = max(item.fade_frames, item.delay_frames + fade_in) + TAIL_FRAMES

        def play() -> Iterator[Crossing]:
            begins, played = [], []
            for at, state in self.knots(loop):
                self.player.restore(state)
                self.player.cue(2, self.show.number(scene.name), 0 if scene.loop else 1)
                begins.append(at)
                played.append(self.player.play(frames))
            yield _crossing("leave", loop.name, scene.name, begins, played)

        what = f"from `{loop.name}` into `{scene.name}`"
        return Job(what, scene.name, frames * (loop.frames // COMMON_FRAMES), play)

    def to_rest(self, loop: SceneRecord) -> Job:
        """From a loop to rest at the end of its turn, as a show without an idle loop does."""
        frames = self.transition(loop, None).fade_frames + TAIL_FRAMES

        def play() -> Iterator[Crossing]:
            self.player.restore(self.rest)
            self.player.cue(1, self.show.number(loop.name), 1)
            turns = 1 + -(-(loop.fade_in_frames + TAIL_FRAMES) // loop.frames)
            rows = self.player.play(COMMON_FRAMES + turns * loop.frames + frames)
            ended = next(item.frame for item in rows.happened if item.what == What.ENDED)
            part = slice(ended, ended + frames)
            yield Crossing(
                *("leave", loop.name, None, np.zeros(1, np.int64)),
                *(rows.window[None, part], rows.phase[part].astype(np.int64)),
            )

        return Job(f"from `{loop.name}` to rest", loop.name, frames, play)

    def parks(self) -> int:
        """Frames of the move to the parked pose, from where settling begins again; 0 when no track parks."""
        frames = frames_to_parked(self.show)
        return 0 if frames is None else frames + TAIL_FRAMES

    def stop(self, scene: SceneRecord) -> Job:
        """A stop at every common knot of a scene, and from there back to rest, or to the parked pose."""
        frames = self.show.stop_frames + TAIL_FRAMES
        back = self.show.settle_frames + TAIL_FRAMES
        parks = self.parks()

        def play() -> Iterator[Crossing]:
            begins, stopped, returned = [], [], []
            for at, state in self.knots(scene):
                self.player.restore(state)
                self.player.hold()
                begins.append(at)
                stopped.append(self.player.play(frames))
                if parks:
                    returned.append(self.player.play(parks))
                    continue
                self.player.resume()
                returned.append(self.player.play(back))
            if begins:
                yield _crossing("stop", scene.name, None, begins, stopped)
                yield _crossing("return", scene.name, None, begins, returned)

        what = f"stops in `{scene.name}` and back to rest"
        return Job(what, scene.name, (frames + back) * (scene.frames // COMMON_FRAMES), play)


def _crossing(
    kind: Kind, left: str | None, entered: str | None, begins: Sequence[int], played: Sequence[Played]
) -> Crossing:
    window = np.stack([rows.window for rows in played])
    return Crossing(
        kind, left, entered, np.asarray(begins, np.int64), window, played[0].phase.astype(np.int64)
    )
