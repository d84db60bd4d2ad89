"""``show_image.h``: the image as a C array that a person can read."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.figure.model import NO_PIN
from sequencer.firmware.templates import comment_text, rendered
from sequencer.motion.model import TrackSpec
from sequencer.tables.extra_policy import TAG as POLICY
from sequencer.tables.extra_policy import read_policy_extra
from sequencer.tables.image import image_crc32, inside_bytes
from sequencer.tables.layout import EXTRA, HEADER, Header
from sequencer.tables.model import InputRecord, ShowImage, content_of

_PER_LINE = 16


@dataclass(frozen=True)
class Section:
    """Part of the image under a title, as lines of C."""

    title: str
    lines: tuple[str, ...]


def lsb_deg(spec: TrackSpec) -> float:
    """Degrees of the axis that one unit of the track means."""
    return abs(math.degrees(1.0 / spec.value_per_rad))


def _between(show: ShowImage) -> str:
    """The loops that play between scenes."""
    content = content_of(show.extras, POLICY)
    if content is not None:
        idles = read_policy_extra(content, len(show.inputs), len(show.scenes)).lists[0].scenes
        if idles:
            return ", ".join(show.scenes[index].name for index in idles) + " (shuffled)"
    return show.idle or ""


def render_header(show: ShowImage, image: bytes, specs: Mapping[str, TrackSpec]) -> str:
    """The header's text.

    Args:
        show: the contents of ``image``.
        image: the bytes.
        specs: tracks by name, for degrees per unit.

    Returns:
        C that defines ``show_image``, sizes and scene numbers, with units, scene index and track
        table in its comments.
    """
    seconds = show.frame_us * 1e-6
    constants = _constants([scene.name for scene in show.scenes])
    return rendered(
        "show_image.h.j2",
        {
            "figure": comment_text(show.figure),
            "bytes": inside_bytes(image),
            "crc": f"{image_crc32(image):08x}",
            "frame_us": show.frame_us,
            "idle": comment_text(_between(show)),
            "scenes": [
                {
                    "name": comment_text(scene.name),
                    "constant": constants[scene.name],
                    "seconds": scene.frames * seconds,
                    "frames": scene.frames,
                    "bytes": scene.table_bytes,
                    "kind": "loop" if scene.loop else "scene",
                }
                for scene in show.scenes
            ],
            "tracks": [
                {
                    "name": comment_text(track.name),
                    "pin": track.pin,
                    "knot_ms": track.knot_frames * show.frame_us / 1000,
                    "lsb_us": 2.0**-track.lsb_exponent,
                    "lsb_deg": lsb_deg(specs[track.name]),
                    "origin_us": track.origin_us,
                    "range_us": _range_us(track.origin_us, track.lsb_exponent, track.low, track.high),
                }
                for track in show.tracks
            ],
            "lamps": [f"{comment_text(lamp.name)} on {_lamp_pin(lamp.pin)}" for lamp in show.lamps],
            "switches": [f"{comment_text(item.name)} on pin {item.pin}" for item in show.switches],
            "inputs": [_input(item) for item in show.inputs],
            "sections": sections(show, image),
        },
    )


def sections(show: ShowImage, image: bytes) -> list[Section]:
    """The image's parts in order, each as titled lines of C; together they are every byte of flash."""
    image = image[: inside_bytes(image)]
    head = Header(*HEADER.unpack_from(image))
    n = len(show.scenes)
    starts = [
        (0, "header"),
        (head.tracks_at, f"{len(show.tracks)} track records"),
        (head.lamps_at, f"{len(show.lamps)} lamp records"),
        (head.switches_at, f"{len(show.switches)} switch records"),
        (head.inputs_at, f"{len(show.inputs)} input records"),
        (head.scenes_at, f"{n} scene records"),
        (head.transitions_at, f"transitions: {len(show.loops)} loops by {n} scenes and rest"),
        (head.names_at, "names"),
        (head.extras_at, "extras"),
    ]
    offsets_at = head.extras_at + 1 + sum(EXTRA.size + len(extra.content) for extra in show.extras)
    channels = len(show.tracks) + len(show.lamps) + len(show.switches)
    starts.append((offsets_at, "where each scene's streams begin: tracks, lamps, switches"))
    names = [item.name for item in show.tracks]
    names += [item.name for item in show.lamps]
    names += [item.name for item in show.switches]
    seen: set[int] = set()
    for i, scene in enumerate(show.scenes):
        for j, name in enumerate(names):
            at = int.from_bytes(image[offsets_at + 4 * (i * channels + j) :][:4], "little")
            if at and at < len(image) and at not in seen:
                seen.add(at)
                starts.append((at, f"{comment_text(scene.name)}: {comment_text(name)}"))
    starts.sort(key=lambda item: item[0])
    ends = [at for at, _ in starts[1:]] + [len(image)]
    return [
        Section(f"{title}, {end - at} bytes", _lines(image[at:end]))
        for (at, title), end in zip(starts, ends, strict=True)
        if end > at
    ]


def _lines(data: bytes) -> tuple[str, ...]:
    return tuple(
        " ".join(f"0x{byte:02x}," for byte in data[at : at + _PER_LINE])
        for at in range(0, len(data), _PER_LINE)
    )


def _constants(names: list[str]) -> dict[str, str]:
    """A C name for each scene, all different."""
    found: dict[str, str] = {}
    for name in names:
        constant = "SHOW_SCENE_" + re.sub(r"[^A-Z0-9_]", "_", name.upper())
        while constant in found.values():
            constant += "_"
        found[name] = constant
    return found


def _range_us(origin_us: int, exponent: int, low: int, high: int) -> str:
    lsb = 2.0**-exponent
    return f"{origin_us + low * lsb:.1f}..{origin_us + high * lsb:.1f}"


def _lamp_pin(pin: int) -> str:
    return "strings alone" if pin == NO_PIN else f"pin {pin}"


def _input(item: InputRecord) -> str:
    plays = f" plays {comment_text(item.scene)}" if item.scene else ""
    other = f", every {item.nth}. time {comment_text(item.nth_scene)}" if item.nth and item.nth_scene else ""
    return f"{comment_text(item.name)} on pin {item.pin}{plays}{other}"
