"""How much of a board's flash a show takes, and how many seconds more would fit."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.tables.model import ShowImage


@dataclass(frozen=True)
class Room:
    """How full a board's flash is. ``bytes_per_s`` is the scenes' average; seconds_left follows from it."""

    image_bytes: int
    limit_bytes: int
    bytes_per_s: float

    @property
    def bytes_free(self) -> int:
        """Bytes left; negative when the image is too big."""
        return self.limit_bytes - self.image_bytes

    @property
    def seconds_left(self) -> float:
        """How many more seconds of scenes like these would fit."""
        return self.bytes_free / self.bytes_per_s


def room(show: ShowImage, image: bytes, limit_bytes: int) -> Room:
    """How much of ``limit_bytes`` the show takes, and at which rate its scenes take it."""
    seconds = sum(scene.frames for scene in show.scenes) * show.frame_us * 1e-6
    tables = sum(scene.table_bytes for scene in show.scenes)
    rate = tables / seconds if seconds > 0 and tables > 0 else 1.0
    return Room(len(image), limit_bytes, rate)
