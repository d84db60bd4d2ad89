"""The board clock's calibration in a show image (FORMAT.md, "Clock"): extra 8."""

from __future__ import annotations

import struct
from typing import Final

from sequencer.errors import Fault, FigureError, ImageError
from sequencer.tables.model import Extra, ShowImage, content_of

TAG: Final = 8
#: A frame's length is trimmed in this many parts: cycles at 16 MHz and 50 Hz.
PARTS: Final = 320_000
#: A resonator's tolerance and drift (0.5 % and 0.2 %); the player trims no further.
MOST_TRIM: Final = 2240
#: What the player gains or loses in a frame at most, to make up for time that was lost.
MOST_SLEW: Final = 960
#: Trim and slew together, as a share of a frame: what the certificate's clock error must cover.
MOST_ERROR: Final = (MOST_TRIM + MOST_SLEW) / PARTS
_CONTENT = struct.Struct("<h")


def clock_extra(fast_ppm: float) -> Extra | None:
    """For a board whose clock runs fast by ``fast_ppm`` (slow: negative); None when it is right.

    Raises:
        FigureError: more than the player can trim.
    """
    trim = round(fast_ppm * PARTS / 1e6)
    if abs(trim) > MOST_TRIM:
        raise FigureError(
            Fault(
                "the board's clock is too far off to be trimmed",
                quantity="clock_ppm",
                value=f"{fast_ppm:g}",
                limit=f"{1e6 * MOST_TRIM / PARTS:g} either way",
                remedy="measure it again with `quarterjack calibrate --clock`, or use another board",
            )
        )
    return Extra(TAG, _CONTENT.pack(trim)) if trim else None


def clock_trim(show: ShowImage) -> int:
    """How many 320 000ths every frame is longer, from the image.

    Raises:
        ImageError: the extra is damaged.
    """
    content = content_of(show.extras, TAG)
    if content is None:
        return 0
    if len(content) != _CONTENT.size:
        raise ImageError("the show's clock calibration (extra 8) has not two bytes")
    return int(_CONTENT.unpack(content)[0])


def check_clock_error(clock_error: float) -> None:
    """Whether motion whose speeds are bounded for a clock wrong by ``clock_error`` (a share) stays within.

    A resonator's own error, or what is left of it when it is trimmed, and the slew after the host's clock
    add up to :data:`MOST_ERROR` in the worst case.

    Raises:
        FigureError: it is smaller than that.
    """
    if clock_error < MOST_ERROR - 1e-9:
        raise FigureError(
            Fault(
                "the board clock's error would not be covered by the motion's limits",
                quantity="clock_error_percent",
                value=f"{100 * clock_error:g}",
                limit=f"{100 * MOST_ERROR:g} or more: 0.7 for a ceramic resonator, 0.3 to follow the host",
                remedy="leave the key out, or set it to 1 or more under [board] in figure.toml",
            )
        )
