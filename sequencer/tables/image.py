"""The show image as bytes (FORMAT.md); :func:`read_image` is its inverse."""

from __future__ import annotations

import zlib
from dataclasses import replace

from sequencer.tables.extra_memory import TAG as MEMORY
from sequencer.tables.extra_memory import memory_extra
from sequencer.tables.layout import (
    CRC_FROM,
    EXTRA,
    HEADER,
    INPUT,
    LAMP,
    MAGIC,
    SCENE,
    SWITCH,
    TRACK,
    TRANSITION,
    VERSION,
    Header,
    wiring,
)
from sequencer.tables.model import BOARDS, COMMON_FRAMES, LONGEST_SCENE, NONE, ShowImage
from sequencer.tables.reading import read_image

__all__ = ["build_image", "image_crc32", "inside_bytes", "read_image"]


def build_image(show: ShowImage, inside: int | None = None, bus_khz: int = 400) -> bytes:
    """The show as the bytes that the player plays.

    Equal streams are stored once. Order: header, track, lamp, switch and input records, scene
    records, transitions, names, extras, then the scenes' offsets and the streams.

    Args:
        show: what it holds.
        inside: the bytes that the board's own flash has for it. What is more, track streams of scenes that
            are no loops, follows behind the image proper (:func:`inside_bytes`), for an I2C memory.
        bus_khz: the speed of that memory's bus, 100 or 400.

    Raises:
        ValueError: contents that no image can hold (counts, numbers beyond their field, a scene's
            streams that do not match the records). The stages before never ask for that.
    """
    show = replace(show, extras=tuple(item for item in show.extras if item.tag != MEMORY))
    image = _laid(show, None)
    if inside is None or len(image) <= inside:
        return image
    # The extra's size does not depend on what it says: first where things lie, then what lies outside.
    first = replace(show, extras=(*show.extras, memory_extra(b"", bus_khz)))
    laid = _laid(first, inside)
    outside = laid[inside_bytes(laid) :]
    return _laid(replace(first, extras=(*first.extras[:-1], memory_extra(outside, bus_khz))), inside)


def inside_bytes(image: bytes) -> int:
    """How many of an image's first bytes lie in the board's flash; the rest is for its I2C memory."""
    return int.from_bytes(image[4:8], "little")


def _laid(show: ShowImage, inside: int | None) -> bytes:
    _check_shape(show)
    figure = wiring(show)
    tracks_at = HEADER.size
    lamps_at = tracks_at + TRACK.size * len(show.tracks)
    switches_at = lamps_at + LAMP.size * len(show.lamps)
    inputs_at = switches_at + SWITCH.size * len(show.switches)
    scenes_at = inputs_at + INPUT.size * len(show.inputs)
    transitions_at = scenes_at + SCENE.size * len(show.scenes)
    transitions = b"".join(
        TRANSITION.pack(t.fade_frames, t.delay_frames) for row in show.transitions for t in row
    )
    names_at = transitions_at + len(transitions)
    names = b"".join(_name(name) for name in _names(show))
    extras_at = names_at + len(names)
    extras = b"".join(EXTRA.pack(item.tag, len(item.content)) + item.content for item in show.extras) + b"\0"
    offsets_at = extras_at + len(extras)
    channels = len(show.tracks) + len(show.lamps) + len(show.switches)
    streams_at = offsets_at + 4 * channels * len(show.scenes)

    streams, outside, placed = _placed(show, streams_at, inside)
    offsets = bytearray()
    records = bytearray()
    loop_row = 0
    for index, scene in enumerate(show.scenes):
        row = loop_row if scene.loop else NONE
        loop_row += scene.loop
        at = offsets_at + 4 * channels * index
        records += SCENE.pack(at, scene.frames, int(scene.loop), row, scene.fade_in_frames)
        for stream in scene.streams:
            if stream is None:
                offsets += bytes(4)
                continue
            offsets += placed[stream].to_bytes(4, "little")

    header = HEADER.pack(
        *Header(
            magic=MAGIC,
            length=streams_at + len(streams),
            crc=0,
            version=VERSION,
            board=BOARDS[show.board],
            tracks=len(show.tracks),
            lamps=len(show.lamps),
            switches=len(show.switches),
            inputs=len(show.inputs),
            scenes=len(show.scenes),
            idle=show.number(show.idle),
            frame_us=show.frame_us,
            settle_frames=show.settle_frames,
            stop_frames=show.stop_frames,
            stagger_frames=show.stagger_frames,
            boot_frames=show.boot_frames,
            figure_id=zlib.crc32(figure),
            tracks_at=tracks_at,
            lamps_at=lamps_at,
            switches_at=switches_at,
            inputs_at=inputs_at,
            scenes_at=scenes_at,
            transitions_at=transitions_at,
            names_at=names_at,
            loops=loop_row,
            extras_at=extras_at,
        )
    )
    body = header[CRC_FROM:] + figure + records + transitions + names + extras + offsets + streams
    return header[:8] + zlib.crc32(body).to_bytes(4, "little") + body + outside


def _placed(show: ShowImage, at: int, inside: int | None) -> tuple[bytes, bytes, dict[bytes, int]]:
    """The streams that lie inside from ``at`` on, those outside, and where each is."""
    streams, outside = bytearray(), bytearray()
    placed: dict[bytes, int] = {}
    later: list[bytes] = []
    for scene in show.scenes:
        for number, stream in enumerate(scene.streams):
            if stream is None or stream in placed:
                continue
            if inside is not None and not scene.loop and number < len(show.tracks):
                later.append(stream)
                continue
            placed[stream] = at + len(streams)
            streams += stream
    beyond: list[bytes] = []
    for stream in later:
        if stream in placed:
            continue
        if inside is not None and not beyond and at + len(streams) + len(stream) <= inside:
            placed[stream] = at + len(streams)
            streams += stream
        elif stream not in beyond:
            beyond.append(stream)
    for stream in beyond:
        placed[stream] = at + len(streams) + len(outside)
        outside += stream
    return bytes(streams), bytes(outside), placed


def image_crc32(image: bytes) -> int:
    """The CRC that stands in the image's header: what the board reports as its show."""
    return int.from_bytes(image[8:12], "little")


def _check_shape(show: ShowImage) -> None:
    if len(show.scenes) >= NONE:
        raise ValueError("an image holds at most 254 scenes")
    columns = len(show.scenes) + 1
    if len(show.transitions) != len(show.loops) or any(len(row) != columns for row in show.transitions):
        raise ValueError(
            "the transition table needs a row for each loop and a column for each scene and rest"
        )
    tags = [item.tag for item in show.extras]
    if len(set(tags)) != len(tags) or not all(0 < tag < 256 for tag in tags):
        raise ValueError("each extra needs its own number, 1..255")
    if any(len(item.content) > 0xFFFF for item in show.extras):
        raise ValueError("an extra is longer than 65535 bytes")
    counts = (len(show.tracks), len(show.lamps), len(show.switches))
    for scene in show.scenes:
        if (len(scene.tracks), len(scene.lamps), len(scene.switches)) != counts:
            raise ValueError(f"scene {scene.name} needs one stream or None for each channel")
        if not COMMON_FRAMES <= scene.frames <= LONGEST_SCENE or scene.frames % COMMON_FRAMES:
            limits = f"a multiple of {COMMON_FRAMES} up to {LONGEST_SCENE}"
            raise ValueError(f"scene {scene.name}: {scene.frames} frames are not {limits}")


def _names(show: ShowImage) -> list[str]:
    groups = (show.tracks, show.lamps, show.switches, show.inputs, show.scenes)
    return [show.figure, *(record.name for group in groups for record in group)]


def _name(name: str) -> bytes:
    coded = name.encode()
    if len(coded) > 255:
        raise ValueError(f"the name {name[:20]}... is longer than 255 bytes")
    return bytes([len(coded)]) + coded
