"""Where each field of the show image stands (FORMAT.md's tables as struct formats)."""

from __future__ import annotations

import struct
from typing import NamedTuple

from sequencer.tables.model import INPUT_KINDS, ShowImage

MAGIC = b"QJK1"
VERSION = 2
HEADER = struct.Struct("<4sIIBBBBBBBBHHHBBIIIIIIIIII")
TRACK = struct.Struct("<BBBBHhhhhhhhHH")
LAMP = struct.Struct("<BBBB")
SWITCH = struct.Struct("<BBH")
INPUT = struct.Struct("<BBBBHBBB3x")
SCENE = struct.Struct("<IIBBH")
TRANSITION = struct.Struct("<HH")
EXTRA = struct.Struct("<BH")
#: Bytes ahead of those that the CRC covers.
CRC_FROM = 12


class Header(NamedTuple):
    """The header's fields in their order."""

    magic: bytes
    length: int
    crc: int
    version: int
    board: int
    tracks: int
    lamps: int
    switches: int
    inputs: int
    scenes: int
    idle: int
    frame_us: int
    settle_frames: int
    stop_frames: int
    stagger_frames: int
    boot_frames: int
    figure_id: int
    tracks_at: int
    lamps_at: int
    switches_at: int
    inputs_at: int
    scenes_at: int
    transitions_at: int
    names_at: int
    loops: int
    extras_at: int


def wiring(show: ShowImage) -> bytes:
    """Track, lamp, switch and input records: what the figure's identity is made of."""
    try:
        parts = [
            TRACK.pack(
                *(t.pin, t.knot_frames, t.lsb_exponent, 0, t.origin_us, t.rest, t.parked, t.low, t.high),
                *(*t.bounds, *t.ends_us),
            )
            for t in show.tracks
        ]
        parts += [LAMP.pack(lamp.pin, int(lamp.active_low), lamp.rest, 0) for lamp in show.lamps]
        parts += [SWITCH.pack(s.pin, int(s.active_low), s.max_on_frames) for s in show.switches]
        parts += [
            INPUT.pack(
                *(
                    item.pin,
                    INPUT_KINDS[item.kind],
                    int(item.active_low) | int(item.pull_up) << 1,
                    item.debounce,
                ),
                *(item.cooldown_frames, show.number(item.scene), item.nth, show.number(item.nth_scene)),
            )
            for item in show.inputs
        ]
    except struct.error as error:
        raise ValueError(f"a record's number does not fit its field: {error}") from error
    return b"".join(parts)
