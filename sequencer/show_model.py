"""What a show is on its way to the board: planned, built, checked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from sequencer.show_folder import Show

if TYPE_CHECKING:
    from sequencer.check.loads import SceneLoads
    from sequencer.check.played import PlayedScene
    from sequencer.check.report import CheckReport
    from sequencer.figure.model import Figure, Limits
    from sequencer.firmware.boards import Player as PrebuiltPlayer
    from sequencer.motion.model import Certificate, PairCertificates, TrackPlan, TrackSpec
    from sequencer.motion.tracks import FigureTracks
    from sequencer.tables.model import ShowImage
    from sequencer.tables.transitions import TransitionTable
    from sequencer.timeline.model import Shortfall, Timeline

#: Told as (what is being done, share done 0..1).
Tell = Callable[[str, float], None]


def silent(_what: str, _done: float) -> None:
    """Nobody listens."""


@dataclass(frozen=True)
class PlannedShow:
    """A show with its motion: limits by axis, tracks by name, timelines and plans by scene.

    ``limits`` are what one axis alone can be asked for.
    """

    show: Show
    limits: Mapping[str, Limits]
    tracks: FigureTracks
    timelines: Mapping[str, Timeline]
    plans: Mapping[str, Mapping[str, TrackPlan]]

    @property
    def specs(self) -> Mapping[str, TrackSpec]:
        """Tracks by name, in the image's order."""
        return self.tracks.specs


@dataclass(frozen=True)
class BuiltShow:
    """A show as the board will carry it. ``late`` holds switches that cannot act on time.

    ``pairs`` certifies the poses of the pairs, ``certificate`` every track.
    """

    planned: PlannedShow
    table: TransitionTable
    contents: ShowImage
    image: bytes
    certificate: Certificate
    pairs: PairCertificates
    late: tuple[tuple[str, Shortfall], ...]

    @property
    def figure(self) -> Figure:
        """The machine."""
        return self.planned.show.figure

    @property
    def scene_names(self) -> list[str]:
        """Scenes in the image's order: a scene's place is its number on the link."""
        return [scene.name for scene in self.contents.scenes]

    @property
    def scene_seconds(self) -> dict[str, float]:
        """Length of each scene (of one turn, for a loop)."""
        return {scene.name: scene.frames * self.contents.frame_us * 1e-6 for scene in self.contents.scenes}

    @cached_property
    def image_crc32(self) -> int:
        """CRC-32 of the image, as the board reports it."""
        from sequencer.tables.image import image_crc32

        return image_crc32(self.image)

    @cached_property
    def player(self) -> PrebuiltPlayer:
        """The prebuilt player of the figure's board."""
        from sequencer.firmware.boards import prebuilt_player

        return prebuilt_player(self.figure.board.kind)

    @property
    def player_crc32(self) -> int:
        """CRC-32 of the prebuilt player, as the board reports it."""
        return self.player.crc32

    @cached_property
    def flash_bytes(self) -> bytes:
        """The board's flash from 0: prebuilt player and image.

        Raises:
            RoomError: the image is too big.
        """
        from sequencer.firmware.join import join

        return join(self.player, self.image, self.contents)[1]

    @property
    def outside(self) -> bytes:
        """What of the image is for the board's I2C memory."""
        from sequencer.tables.image import inside_bytes

        return self.image[inside_bytes(self.image) :]

    @property
    def memory_check_s(self) -> float:
        """How long the board, once reset, reads through that memory before it says hello."""
        from sequencer.tables.bus import memory_check_s

        return memory_check_s(len(self.outside), self.figure.board.i2c_khz)


@dataclass(frozen=True)
class CheckedShow:
    """A built show with what the player plays in each scene, what that asks of the servos, and the report."""

    built: BuiltShow
    played: Mapping[str, PlayedScene]
    report: CheckReport
    loads: Mapping[str, SceneLoads]
