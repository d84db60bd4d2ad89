"""How long it takes from a stop input, or a request to hold, until the figure stands (FORMAT.md, "Stopping").

A stop is taken at a common knot, and only once nothing fades: what a change of scenes adds up to was proven
as it is, and not while it is stopped. Then the stored stop fades the velocity out.
"""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.tables.extra_stopping import frames_to_parked
from sequencer.tables.model import COMMON_FRAMES, ShowImage

#: After the last faded frame, until every window holds only clean points (QJ_CLEAN_FRAMES).
CLEAN_FRAMES = 2 * COMMON_FRAMES
#: Inputs are sampled so often in a frame.
SAMPLES = 6
#: From a settled level to the frame that is worked out next, and from there to the pins.
BOARD_FRAMES = 2
#: Live control's way to a stop: its points (QJ_LIVE_POINTS_MOST), and one more until they fill the window.
LIVE_KNOTS = 11 + 1


@dataclass(frozen=True)
class Standstill:
    """The longest times in seconds, of the motion that is commanded: how servos follow is not in them.

    ``playing_s``: from whatever plays; ``settling_s``: heard while it settles after power-on or a hold, whose
    move is finished first. ``parking_s``: what ``on_stop = "park"`` then adds, 0 where nothing parks.
    ``pressed``: whether there is a stop input, whose debounce is in them.
    """

    playing_s: float
    settling_s: float
    parking_s: float
    pressed: bool


def standstill(show: ShowImage) -> Standstill:
    """The longest that a stop of this show may take."""
    knot = max((track.knot_frames for track in show.tracks), default=1)
    stops = [record.debounce for record in show.inputs if record.kind == "stop"]
    heard = -(-max(stops, default=0) // SAMPLES) + BOARD_FRAMES
    # Heard just after a fade's first frame, or just after a common knot.
    wait = max([COMMON_FRAMES, *(frames + CLEAN_FRAMES for frames in _fades(show))]) - 1
    playing = max(wait + show.stop_frames + knot, LIVE_KNOTS * knot)
    settling = show.settle_frames - 1 + knot
    park = frames_to_parked(show)
    parking = 0 if park is None else CLEAN_FRAMES + park + knot
    frame_s = show.frame_us * 1e-6
    return Standstill(
        (heard + playing) * frame_s, (heard + settling) * frame_s, parking * frame_s, bool(stops)
    )


def _fades(show: ShowImage) -> list[int]:
    """Frames of every change that there may be, from its beginning to the last frame that is faded."""
    entered = [scene.fade_in_frames if scene.loop else 0 for scene in show.scenes]
    left = [
        max(item.fade_frames, item.delay_frames + fade_in)
        for row in show.transitions
        for item, fade_in in zip(row, [*entered, 0], strict=True)
    ]
    return [*entered, *left]


def sentence(found: Standstill) -> str:
    """The same as a builder reads it."""
    begins = "a press of stop" if found.pressed else "a hold (space in `trigger`; there is no stop input)"
    parks = f" What parks then moves on, for up to {found.parking_s:.2f} s." if found.parking_s else ""
    return (
        f"From {begins} to standing still takes up to {found.playing_s:.2f} s; while he settles after "
        f"power-on up to {found.settling_s:.2f} s.{parks} "
        "It is a software stop: it removes no power, and is no safety stop."
    )
