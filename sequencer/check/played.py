"""A scene as the player plays it, alone and from rest, read back from the compiled core."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import ImageError
from sequencer.kept import Kept
from sequencer.player.player import Played, Player, Snapshot, State
from sequencer.tables.image import inside_bytes
from sequencer.tables.model import NONE, ShowImage

#: Where the header keeps the idle loop's number, and where the bytes under the CRC begin (FORMAT.md).
_IDLE_AT, _CRC_AT, _BODY_AT = 19, 8, 12
#: More frames than any boot and settle take (the image's settle_frames is added).
_PATIENCE_FRAMES = 2000
#: When so many frames in a row are idle, they are over and every track is at rest.
_GLANCE_FRAMES = 120


@dataclass(frozen=True)
class PlayedScene:
    """What the board does in one scene; arrays have a row for each servo frame.

    ``points`` maps a track to its control points as played, shaped as in a plan. ``pulse_us`` is
    (frames, tracks), ``lamp_duty`` (frames, lamps) 0..1 of relative luminance, ``lamp_lightness``
    the same as perceived, 0..1, ``switch_on`` (frames, switches).
    """

    scene: str
    loop: bool
    frames: int
    points: Mapping[str, NDArray[np.int64]]
    pulse_us: NDArray[np.float64]
    lamp_duty: NDArray[np.float64]
    lamp_lightness: NDArray[np.float64]
    switch_on: NDArray[np.bool_]


def without_idle(image: bytes) -> bytes:
    """The same image with nothing between scenes, so that each can be played from rest."""
    alone = bytearray(image)
    alone[_IDLE_AT] = NONE
    inside = alone[_BODY_AT : inside_bytes(image)]  # what lies in an I2C memory has a CRC of its own
    alone[_CRC_AT:_BODY_AT] = zlib.crc32(inside).to_bytes(4, "little")
    return bytes(alone)


def _open(player: Player) -> None:
    fault = player.open()
    if fault:
        raise ImageError(f"the player refuses the image (fault {fault})")


def rested(player: Player, show: ShowImage) -> Played:
    """Open the image of a player without idle loop and play it until it stands at rest; all of these frames.

    Raises:
        ImageError: the core refuses the image.
    """
    _open(player)
    return player.play(
        show.boot_frames + show.settle_frames + show.stagger_frames * len(show.tracks) + _PATIENCE_FRAMES
    )


def play_scenes(show: ShowImage, image: bytes, kept: Kept | None = None) -> dict[str, PlayedScene]:
    """Play every scene of an image once on the core; of a loop a whole turn after its fade-in.

    ``kept`` spares scenes that were played before: alone and from rest, a scene's own streams and what
    all scenes share are all that it depends on.

    Raises:
        ImageError: the core refuses the image.
    """
    kept = Kept() if kept is None else kept
    # How the player settles and stops is over before a scene, or comes after it.
    shared = replace(show, scenes=(), inputs=(), transitions=(), idle=None, settle_frames=0, stop_frames=0)
    stage = _Stage(show, image)
    return {
        scene.name: kept.of(("played", shared, number, scene), partial(stage.play, number))
        for number, scene in enumerate(show.scenes)
    }


class _Stage:
    """A player at rest with the image, opened when the first scene is to be played."""

    def __init__(self, show: ShowImage, image: bytes) -> None:
        self._show = show
        self._image = image

    @cached_property
    def _settled(self) -> tuple[Player, Snapshot]:
        show, player = self._show, Player(without_idle(self._image))
        _open(player)
        waited = 0
        while waited < show.boot_frames + show.settle_frames + _PATIENCE_FRAMES:
            if (player.play(_GLANCE_FRAMES).state == State.IDLE).all():
                break
            waited += _GLANCE_FRAMES
        return player, player.snapshot()

    def play(self, number: int) -> PlayedScene:
        """One scene from rest."""
        player, settled = self._settled
        scene = self._show.scenes[number]
        player.restore(settled)
        player.cue(1, number, 0 if scene.loop else 1)
        turns = 1 + (-(-scene.fade_in_frames // scene.frames) if scene.loop else 0)
        frames = player.play(6 + scene.frames * turns)
        begins = int(np.argmax((frames.state == State.SCENE) & (frames.scene == number)))
        return _cut(self._show, number, frames, begins + scene.frames * (turns - 1))


def _cut(show: ShowImage, number: int, frames: Played, first: int) -> PlayedScene:
    scene = show.scenes[number]
    rows = slice(first, first + scene.frames)
    points = {}
    for index, track in enumerate(show.tracks):
        windows = frames.window[rows, index][:: track.knot_frames].astype(np.int64)
        points[track.name] = windows[:, 0] if scene.loop else np.concatenate([windows[:, 0], windows[-1, 1:]])
    return PlayedScene(
        scene=scene.name,
        loop=scene.loop,
        frames=scene.frames,
        points=points,
        pulse_us=frames.pulse_sixteenths[rows] / 16.0,
        lamp_duty=frames.lamp_duty[rows] / 4095.0,
        lamp_lightness=frames.lamp_lightness_q8[rows] / 51200.0,
        switch_on=(frames.switches[rows, None] >> np.arange(len(show.switches)) & 1).astype(bool),
    )
