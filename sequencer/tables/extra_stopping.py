"""What each track does when the player is stopped, and at rest (FORMAT.md, "Stopping"): extra 2."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sequencer.errors import Fault, ImageError
from sequencer.tables.model import COMMON_FRAMES, LONGEST_FADE, Extra, ShowImage, content_of

TAG: Final = 2
_HEAD = struct.Struct("<HH")


@dataclass(frozen=True)
class TrackStopping:
    """One track: ``parks`` when stopped, else it is held; ``balanced``: it may be released at rest;
    ``falls_silent``: it is released by itself."""

    parks: bool
    balanced: bool
    falls_silent: bool


@dataclass(frozen=True)
class StoppingContent:
    """``park_frames`` of the profile to the parked pose; idle frames before silence; a row a track."""

    park_frames: int
    release_after_frames: int
    tracks: tuple[TrackStopping, ...]


def stopping_extra(content: StoppingContent) -> Extra:
    """The extra.

    Raises:
        ValueError: a time that the player's clocks don't hold.
    """
    if content.park_frames % COMMON_FRAMES or not 0 < content.park_frames <= LONGEST_FADE:
        raise ValueError(f"{content.park_frames} frames are no profile's length")
    if not 0 <= content.release_after_frames <= 0xFFFF - COMMON_FRAMES:
        raise ValueError(f"{content.release_after_frames} frames are longer than the player counts")
    flags = bytes(
        int(track.parks) | int(track.balanced) << 1 | int(track.falls_silent) << 2 for track in content.tracks
    )
    return Extra(TAG, _HEAD.pack(content.park_frames, content.release_after_frames) + flags)


def read_stopping(content: bytes, tracks: int) -> StoppingContent:
    """An extra's content back into its parts.

    Raises:
        ImageError: another length than ``tracks`` ask for, or flags that no player knows.
    """
    if len(content) != _HEAD.size + tracks or any(flags > 7 for flags in content[_HEAD.size :]):
        raise ImageError(Fault("the image's stopping table cannot be read", remedy="compile the show again"))
    park, after = _HEAD.unpack_from(content)
    rows = tuple(_row(flags) for flags in content[_HEAD.size :])
    return StoppingContent(park, after, rows)


def _row(flags: int) -> TrackStopping:
    return TrackStopping(bool(flags & 1), bool(flags & 2), bool(flags & 4))


def any_parks(content: Sequence[TrackStopping]) -> bool:
    """Whether a stop moves anything."""
    return any(track.parks for track in content)


def frames_to_parked(show: ShowImage) -> int | None:
    """Frames of the profile to the parked pose after a stop; None when no track parks.

    Raises:
        ImageError: the extra is damaged.
    """
    content = content_of(show.extras, TAG)
    if content is None:
        return None
    stopping = read_stopping(content, len(show.tracks))
    return stopping.park_frames if any_parks(stopping.tracks) else None
