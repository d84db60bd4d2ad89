"""A show image back into its records, with every check that the player relies on."""

from __future__ import annotations

import itertools
import struct
import zlib
from typing import Any, NoReturn

from sequencer.errors import Fault, ImageError
from sequencer.tables.extra_memory import read_memory
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
from sequencer.tables.model import (
    BOARDS,
    COMMON_FRAMES,
    INPUT_KINDS,
    LARGEST_COUNTS,
    LONGEST_FADE,
    LONGEST_PULSE_US,
    LONGEST_SCENE,
    NONE,
    Extra,
    InputRecord,
    LampRecord,
    SceneRecord,
    ShowImage,
    SwitchRecord,
    TrackRecord,
    Transition,
)


def read_image(image: bytes, file: str | None = None) -> ShowImage:
    """An image's contents: records, names, and each scene's streams as coded bytes.

    ``build_image(read_image(b)) == b`` for every image that :func:`build_image` made. A stream's end
    is the next stream's beginning, so an image laid out otherwise may show longer streams.

    Raises:
        ImageError: not an image, another version, cut short, damaged (CRC), or offsets, counts or
            numbers that the player would refuse.
    """
    return _Reader(image, file).contents()


class _Reader:
    """Walks one image; every refusal names the byte."""

    def __init__(self, image: bytes, file: str | None) -> None:
        self.image = image
        self.file = file

    def refuse(
        self, message: str, at: int | None = None, value: object = None, limit: object = None
    ) -> NoReturn:
        place = "" if at is None else f" (byte {at})"
        raise ImageError(
            Fault(
                f"this is not a whole show image: {message}{place}",
                file=self.file,
                value=None if value is None else str(value),
                limit=None if limit is None else str(limit),
                remedy="compile the show again",
            )
        )

    def unpack(self, form: struct.Struct, at: int, what: str) -> tuple[Any, ...]:
        if at + form.size > len(self.image):
            self.refuse(f"the {what} lies outside the image", at, at + form.size, len(self.image))
        return form.unpack_from(self.image, at)

    def header(self) -> Header:
        image = self.image
        if len(image) < HEADER.size:
            self.refuse("it is shorter than its header", None, len(image), HEADER.size)
        head = Header(*HEADER.unpack_from(image))
        if head.magic != MAGIC:
            self.refuse("it does not begin with QJK1", 0)
        if head.version != VERSION:
            self.refuse("its format version is another one", 12, head.version, VERSION)
        if head.length > len(image):
            self.refuse("its length is not the one it states", 4, len(image), head.length)
        crc = zlib.crc32(image[CRC_FROM : head.length])
        if crc != head.crc:
            self.refuse("its checksum is wrong, bytes have changed", 8, f"{crc:08x}", f"{head.crc:08x}")
        if head.board not in BOARDS.values():
            self.refuse("it is for an unknown board", 13, head.board)
        for at, what, frames in ((22, "settle", head.settle_frames), (24, "stop", head.stop_frames)):
            self.fade(frames, f"the {what} time", at)
        return head

    def place(self, at: int, what: str) -> None:
        if not HEADER.size <= at <= len(self.image):
            self.refuse(f"{what} lies outside the image", None, at, len(self.image))

    def fade(self, frames: int, what: str, at: int) -> None:
        if frames % COMMON_FRAMES or frames > LONGEST_FADE:
            self.refuse(
                f"{what} is not a multiple of {COMMON_FRAMES} frames up to {LONGEST_FADE}", at, frames
            )

    def contents(self) -> ShowImage:
        head = self.header()
        for what, most in LARGEST_COUNTS.items():
            if getattr(head, what) > most:
                self.refuse(f"it has more {what} than any player knows", None, getattr(head, what), most)
        counts = (1, head.tracks, head.lamps, head.switches, head.inputs, head.scenes)
        names = iter(self.names(head.names_at, sum(counts)))
        (figure,), tracks, lamps, switches, inputs, scenes = (
            list(itertools.islice(names, count)) for count in counts
        )
        at = (head.tracks_at, head.lamps_at, head.switches_at, head.inputs_at, head.scenes_at)
        starts = [*at, head.transitions_at, head.names_at, head.extras_at]
        for start in starts:
            self.place(start, "a part of it")
        scene_records = self.scenes(at[4], scenes, counts[1:4], starts, head.length)
        if head.loops != sum(scene.loop for scene in scene_records):
            self.refuse("it counts its loops wrongly", 60, head.loops)
        if head.idle < len(scene_records) and not scene_records[head.idle].loop:
            self.refuse("the scene between scenes is no loop", 19, head.idle)
        show = ShowImage(
            figure=figure,
            board=next(name for name, number in BOARDS.items() if number == head.board),
            frame_us=head.frame_us,
            settle_frames=head.settle_frames,
            stop_frames=head.stop_frames,
            stagger_frames=head.stagger_frames,
            boot_frames=head.boot_frames,
            tracks=tuple(self.track(at[0] + TRACK.size * i, name) for i, name in enumerate(tracks)),
            lamps=tuple(self.lamp(at[1] + LAMP.size * i, name) for i, name in enumerate(lamps)),
            switches=tuple(self.switch(at[2] + SWITCH.size * i, name) for i, name in enumerate(switches)),
            inputs=tuple(self.input(at[3] + INPUT.size * i, name, scenes) for i, name in enumerate(inputs)),
            scenes=scene_records,
            idle=self.scene_name(head.idle, scenes, 19),
            transitions=self.transitions(head),
            extras=self.extras(head.extras_at),
        )
        self.outside(show, head.length)
        if zlib.crc32(wiring(show)) != head.figure_id:
            self.refuse("its figure identity does not match its wiring", 28)
        return show

    def outside(self, show: ShowImage, length: int) -> None:
        """What follows the image proper is what it says of its memory, and nothing else."""
        said = read_memory(show.extras)
        size, crc32 = (0, 0) if said is None else (said.size, said.crc32)
        rest = self.image[length:]
        if len(rest) != size:
            self.refuse("its length is not the one it states", 4, len(self.image), length + size)
        if zlib.crc32(rest) != crc32:
            self.refuse("bytes of its part for the memory have changed", length)

    def transitions(self, head: Header) -> tuple[tuple[Transition, ...], ...]:
        rows = []
        at = head.transitions_at
        for _ in range(head.loops):
            row = []
            for _ in range(head.scenes + 1):
                item = Transition(*self.unpack(TRANSITION, at, "transition table"))
                self.fade(item.fade_frames, "a transition's fade", at)
                self.fade(item.delay_frames, "a transition's delay", at)
                row.append(item)
                at += TRANSITION.size
            rows.append(tuple(row))
        return tuple(rows)

    def extras(self, at: int) -> tuple[Extra, ...]:
        found: dict[int, Extra] = {}
        while True:
            if at >= len(self.image):
                self.refuse("the extras lie outside the image", at)
            if self.image[at] == 0:
                return tuple(found.values())
            tag, length = self.unpack(EXTRA, at, "extras")
            at += EXTRA.size
            if tag in found or at + length > len(self.image):
                self.refuse(f"extra {tag} comes twice or lies outside the image", at)
            found[tag] = Extra(tag, self.image[at : at + length])
            at += length

    def names(self, at: int, count: int) -> list[str]:
        found = []
        for _ in range(count):
            if at >= len(self.image) or at + 1 + self.image[at] > len(self.image):
                self.refuse("a name lies outside the image", at)
            coded = self.image[at + 1 : at + 1 + self.image[at]]
            try:
                found.append(coded.decode())
            except UnicodeDecodeError:
                self.refuse("a name is not UTF-8", at)
            at += 1 + len(coded)
        return found

    def track(self, at: int, name: str) -> TrackRecord:
        pin, knot, exponent, zero, origin, rest, parked, low, high, d1, d2, d3, ends_low, ends_high = (
            self.unpack(TRACK, at, "track record")
        )
        if knot not in (1, 2, 3, 6) or not 2 <= exponent <= 5 or zero:
            self.refuse(f"track {name} has a knot, a unit or a zero that no player knows", at)
        if not (low <= rest <= high and min(d1, d2, d3) >= 0):
            self.refuse(f"track {name} rests outside its own bounds", at)
        if not ends_low <= ends_high <= LONGEST_PULSE_US or origin > LONGEST_PULSE_US:
            self.refuse(f"track {name} has pulses that no servo knows", at, ends_high, LONGEST_PULSE_US)
        return TrackRecord(
            name, pin, knot, exponent, origin, rest, parked, low, high, (d1, d2, d3), (ends_low, ends_high)
        )

    def lamp(self, at: int, name: str) -> LampRecord:
        pin, flags, rest, zero = self.unpack(LAMP, at, "lamp record")
        if flags > 1 or rest > 200 or zero:
            self.refuse(f"lamp {name} has flags or a lightness that no player knows", at)
        return LampRecord(name, pin, bool(flags), rest)

    def switch(self, at: int, name: str) -> SwitchRecord:
        pin, flags, max_on = self.unpack(SWITCH, at, "switch record")
        if flags > 1:
            self.refuse(f"switch {name} has flags that no player knows", at)
        return SwitchRecord(name, pin, bool(flags), max_on)

    def input(self, at: int, name: str, scenes: list[str]) -> InputRecord:
        pin, kind, flags, debounce, cooldown, scene, nth, nth_scene = self.unpack(INPUT, at, "input record")
        if nth and nth_scene == NONE:
            self.refuse(f"input {name} counts to a scene that is not there", at)
        kinds = {number: name for name, number in INPUT_KINDS.items()}
        if kind not in kinds or flags > 3 or any(self.image[at + 9 : at + INPUT.size]):
            self.refuse(f"input {name} is of a kind that no player knows", at)
        return InputRecord(
            *(name, pin, bool(flags & 1), bool(flags & 2), debounce, cooldown),
            *(self.scene_name(scene, scenes, at + 6), nth, self.scene_name(nth_scene, scenes, at + 8)),
            kind=kinds[kind],
        )

    def scene_name(self, number: int, scenes: list[str], at: int) -> str | None:
        if number == NONE:
            return None
        if number >= len(scenes):
            self.refuse("a scene number is beyond the last scene", at, number, len(scenes) - 1)
        return scenes[number]

    def scenes(
        self, scenes_at: int, names: list[str], counts: tuple[int, ...], starts: list[int], inside: int
    ) -> tuple[SceneRecord, ...]:
        channels = sum(counts)
        form = struct.Struct(f"<{channels}I")
        heads: list[tuple[int, bool, int, tuple[int, ...]]] = []
        for i, name in enumerate(names):
            at = scenes_at + SCENE.size * i
            streams_at, frames, flags, row, fade_in = self.unpack(SCENE, at, "scene record")
            loops_before = sum(head[1] for head in heads)
            self.fade(fade_in, f"the fade of scene {name}", at)
            if not COMMON_FRAMES <= frames <= LONGEST_SCENE or frames % COMMON_FRAMES or flags > 1:
                self.refuse(f"scene {name} has a length or flags that no player knows", at)
            if row != (loops_before if flags else NONE):
                self.refuse(f"scene {name} has a wrong row in the transition table", at)
            self.place(streams_at, f"the offset list of scene {name}")
            offsets = self.unpack(form, streams_at, f"offset list of scene {name}")
            heads.append((frames, bool(flags), fade_in, offsets))
            starts += [streams_at, *(offset for offset in offsets if offset)]
        ends = sorted({*starts, inside, len(self.image)})
        following = dict(itertools.pairwise(ends))
        scenes = []
        for name, (frames, loop, fade_in, offsets) in zip(names, heads, strict=True):
            streams: list[bytes | None] = []
            for offset in offsets:
                if offset and not HEADER.size <= offset < len(self.image):
                    self.refuse(
                        f"a stream of scene {name} lies outside the image", None, offset, len(self.image)
                    )
                streams.append(self.image[offset : following[offset]] if offset else None)
            lamps_from, switches_from = counts[0], counts[0] + counts[1]
            scenes.append(
                SceneRecord(
                    *(name, frames, loop, fade_in, tuple(streams[:lamps_from])),
                    *(tuple(streams[lamps_from:switches_from]), tuple(streams[switches_from:])),
                )
            )
        return tuple(scenes)
