"""From what plays when, and how axes stop, to the image's extras 1 and 2."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from sequencer.figure.balance import balanced_tracks
from sequencer.figure.drives import track_of
from sequencer.figure.linkage import linkages
from sequencer.figure.model import Figure
from sequencer.tables.extra_policy import (
    Choice,
    DutyContent,
    PolicyContent,
    SceneList,
    named,
    policy_extra,
    slot_s,
)
from sequencer.tables.extra_stopping import StoppingContent, TrackStopping, stopping_extra
from sequencer.tables.model import COMMON_FRAMES, Extra, ShowImage
from sequencer.tables.streams import frames_from_s


class ListedTrigger(Protocol):
    """What an input plays (see :mod:`sequencer.event.policy`)."""

    @property
    def scenes(self) -> tuple[str, ...]:
        """All of them."""

    @property
    def choice(self) -> Choice:
        """How one is chosen."""

    @property
    def weights(self) -> tuple[int, ...]:
        """One a scene, when chosen by weights."""


class DutyLimit(Protocol):
    """A duty limit, seconds."""

    @property
    def play_at_most_s(self) -> int:
        """So much ..."""

    @property
    def within_s(self) -> int:
        """... in such a time, then ..."""

    @property
    def rest_s(self) -> int:
        """... a rest."""


class ListedPolicy(Protocol):
    """What plays without a host."""

    @property
    def idles(self) -> tuple[str, ...]:
        """Loops between scenes."""

    @property
    def idle_turns(self) -> int:
        """Turns of each."""

    @property
    def seed(self) -> int:
        """Of what comes by chance; 0: the boot's number."""

    @property
    def triggers(self) -> Mapping[str, ListedTrigger]:
        """By input."""

    @property
    def duty(self) -> DutyLimit | None:
        """The limit, if any."""


def policy_of(policy: ListedPolicy, show: ShowImage) -> Extra | None:
    """Extra 1 of a show; None when its header and input records say all there is."""
    scenes = [scene.name for scene in show.scenes]
    several = len(policy.idles) > 1
    idle = named(policy.idles if several else (), scenes)
    lists = [SceneList("shuffle", idle, (policy.idle_turns,) * len(idle))]
    for item in show.inputs:
        trigger = policy.triggers.get(item.name)
        if trigger is None or len(trigger.scenes) < 2:
            lists.append(SceneList())
            continue
        weights = trigger.weights if trigger.choice == "weighted" else (1,) * len(trigger.scenes)
        lists.append(SceneList(trigger.choice, named(trigger.scenes, scenes), weights))
    duty = policy.duty
    limit = None if duty is None else DutyContent(slot_s(duty.within_s), duty.play_at_most_s, duty.rest_s)
    return policy_extra(PolicyContent(policy.seed, limit, tuple(lists)))


def stopping_of(
    figure: Figure, show: ShowImage, servos: Sequence[str], park_frames: int | None
) -> Extra | None:
    """Extra 2 of a show; None without a proven profile to the parked pose.

    ``servos`` are those of its tracks.
    """
    if park_frames is None or not show.tracks:
        return None
    balanced = balanced_tracks(figure)
    of_servo = {servo: figure.axes[link.axes[0]] for link in linkages(figure) for servo in link.servos}
    rows = tuple(
        TrackStopping(
            parks=of_servo[servo].on_stop == "park",
            balanced=track_of(figure, servo) in balanced,
            falls_silent=track_of(figure, servo) in balanced and of_servo[servo].release_at_rest,
        )
        for servo in servos
    )
    frames = frames_from_s(figure.board.release_after_s, show.frame_us)
    return stopping_extra(StoppingContent(park_frames, -(-frames // COMMON_FRAMES) * COMMON_FRAMES, rows))
