"""FORMAT.md in plain Python, written apart from the product: an image writer and the playing formulas.

Nothing here imports the package: where this file and the C core agree, two readings of FORMAT.md agree.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field

NONE = 255


@dataclass
class Track:
    knot_frames: int
    exponent: int = 3
    origin_us: int = 1500
    rest: int = 0
    parked: int = 0
    low: int = -4000
    high: int = 4000
    ends: tuple[int, int] = (500, 2500)
    pin: int = 7
    bounds: tuple[int, int, int] = (32767, 32767, 32767)


@dataclass
class Scene:
    """``points`` per track: None, or a scene's c[0..K+2] or a loop's c[0..K-1]."""

    frames: int
    loop: bool
    points: list[list[int] | None]
    lamps: list[bytes] = field(default_factory=list)
    switches: list[bytes] = field(default_factory=list)
    fade_in: int = 0
    order: int = 2
    k: int = 4


@dataclass
class Input:
    scene: int
    flags: int = 1
    debounce: int = 3
    cooldown: int = 0
    nth: int = 0
    nth_scene: int = 0
    kind: int = 1


@dataclass
class Show:
    tracks: list[Track]
    scenes: list[Scene]
    transitions: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)
    idle: int = NONE
    settle: int = 60
    stop: int = 30
    stagger: int = 5
    boot: int = 7
    lamp_rest: list[int] = field(default_factory=list)
    max_on: list[int] = field(default_factory=list)
    inputs: list[Input] = field(default_factory=list)
    board: int = 1
    extras: dict[int, bytes] = field(default_factory=dict)

    def transition(self, left: int, entered: int) -> tuple[int, int]:
        return self.transitions.get((left, entered), (60, 0))


def rice(points: list[int], order: int, k: int, rest: int) -> bytes:
    """Adaptive Rice coding of the points, with the head byte."""
    history = [rest, rest, rest]
    mean = 2 << k
    bits = ""
    for point in points:
        p1, p2, p3 = history
        guess = {1: p1, 2: 2 * p1 - p2, 3: 3 * p1 - 3 * p2 + p3}[order]
        # points wrap at 16 bits: take the nearer way round
        e = (point - guess + 32768) % 65536 - 32768
        u = 2 * e if e >= 0 else -2 * e - 1
        width = next(i for i in range(16) if (3 << i) >= mean)
        if u >> width < 20:
            bits += "1" * (u >> width) + "0" + (format(u & ((1 << width) - 1), f"0{width}b") if width else "")
        else:
            bits += "1" * 20 + format(u, "018b")
        mean = mean - (mean >> 1) + min(u, 4095)
        history = [point, p1, p2]
    bits += "0" * (-len(bits) % 8)
    return bytes([order | k << 2]) + bytes(int(bits[i : i + 8], 2) for i in range(0, len(bits), 8))


def varint(value: int) -> bytes:
    out = b""
    while value >= 128:
        out += bytes([value & 127 | 128])
        value >>= 7
    return out + bytes([value])


def write(show: Show) -> bytes:
    """The image's bytes."""
    body = bytearray(68)

    def put(data: bytes) -> int:
        at = len(body)
        body.extend(data)
        return at

    tracks_at = put(
        b"".join(
            struct.pack(
                "<BBBBHhhhhhhhHH",
                *(t.pin, t.knot_frames, t.exponent, 0, t.origin_us, t.rest, t.parked, t.low, t.high),
                *(*t.bounds, *t.ends),
            )
            for t in show.tracks
        )
    )
    lamps_at = put(b"".join(bytes([5, 0, rest, 0]) for rest in show.lamp_rest))
    switches_at = put(b"".join(struct.pack("<BBH", 12, 0, max_on) for max_on in show.max_on))
    inputs_at = put(
        b"".join(
            struct.pack(
                "<BBBBHBBB3x", *(2, i.kind, i.flags, i.debounce, i.cooldown, i.scene, i.nth, i.nth_scene)
            )
            for i in show.inputs
        )
    )
    records = []
    loops = [number for number, scene in enumerate(show.scenes) if scene.loop]
    for number, scene in enumerate(show.scenes):
        offsets = []
        for track, points in zip(show.tracks, scene.points, strict=True):
            if points is None:
                offsets.append(0)
                continue
            stored = points if scene.loop else points[3:-3]
            offsets.append(put(rice(stored, scene.order, scene.k, track.rest)))
        offsets += [put(stream) if stream else 0 for stream in (*scene.lamps, *scene.switches)]
        streams_at = put(struct.pack(f"<{len(offsets)}I", *offsets))
        row = loops.index(number) if scene.loop else NONE
        records.append(struct.pack("<IIBBH", streams_at, scene.frames, scene.loop, row, scene.fade_in))
    scenes_at = put(b"".join(records))
    cells = [show.transition(left, right) for left in loops for right in (*range(len(show.scenes)), NONE)]
    transitions_at = put(b"".join(struct.pack("<HH", *cell) for cell in cells))
    names = [b"figure", *(b"x" for _ in range(len(show.tracks) + len(show.scenes)))]
    names_at = put(b"".join(bytes([len(name)]) + name for name in names))
    extras_at = put(
        b"".join(struct.pack("<BH", tag, len(content)) + content for tag, content in show.extras.items())
        + b"\0"
    )
    counts = (len(show.tracks), len(show.lamp_rest), len(show.max_on), len(show.inputs), len(show.scenes))
    body[0:4] = b"QJK1"
    body[12:68] = struct.pack(
        "<BB6BHHHBBI7III",
        *(2, show.board, *counts, show.idle, 20000, show.settle, show.stop, show.stagger, show.boot, 0),
        *(
            tracks_at,
            lamps_at,
            switches_at,
            inputs_at,
            scenes_at,
            transitions_at,
            names_at,
            len(loops),
            extras_at,
        ),
    )
    return seal(body)


def seal(image: bytes | bytearray) -> bytes:
    """Length and CRC set right."""
    body = bytearray(image)
    body[4:8] = struct.pack("<I", len(body))
    body[8:12] = struct.pack("<I", zlib.crc32(body[12:]))
    return bytes(body)


# ---- playing ---------------------------------------------------------------------------------------


def weight(f: int, n: int) -> int:
    if f <= 0:
        return 32768
    if f >= n:
        return 0
    x = 32768 * f // n
    a = x * x // 32768
    b = a * x // 32768
    return 32768 - b * (10 * 32768 - 15 * x + 6 * a) // 32768


def mul(w: int, d: int) -> int:
    size = (w * abs(d) + 16384) // 32768
    return size if d >= 0 else -size


def point(show: Show, scene: int, track: int, index: int) -> int:
    """Control point ``index`` of a scene, in its own time; rest outside."""
    rest = show.tracks[track].rest
    if scene == NONE or show.scenes[scene].points[track] is None:
        return rest
    points = show.scenes[scene].points[track]
    assert points is not None
    if show.scenes[scene].loop:
        return points[index % len(points)]
    return points[index] if 0 <= index < len(points) else rest


@dataclass
class Activity:
    """How points are made from frame ``begins`` on."""

    kind: str
    begins: int
    left: int = NONE
    entered: int = NONE
    fade: int = 0
    delay: int = 0
    #: frames that the left scene had played when this began
    clock: int = 0


def control_points(show: Show, track: int, activities: list[Activity], frames: int) -> list[list[int]]:
    """The window of a track in each frame."""
    spec = show.tracks[track]
    n = spec.knot_frames
    window = [spec.parked] * 4
    start = spec.parked
    out = []
    for now in range(frames):
        if now % n == 0:
            activity = [a for a in activities if a.begins <= now][-1]
            if activity.begins == now:
                start = window[3]
            m = (now - activity.begins) // n + 3
            f = (m - 2) * n
            a = point(show, activity.left, track, m + activity.clock // n)
            before = point(show, activity.left, track, m - 1 + activity.clock // n)
            b_index = m - activity.delay // n
            b = point(show, activity.entered, track, b_index) if b_index >= 0 else spec.rest
            if activity.kind == "plain":
                new = a
            elif activity.kind == "stand":
                new = window[3]
            elif activity.kind == "rest":
                new = spec.rest + mul(weight(f, activity.fade), start - spec.rest)
            elif activity.kind == "enter":
                new = spec.rest + mul(32768 - weight(f, activity.fade), a - spec.rest)
            elif activity.kind == "stop":
                new = window[3] + mul(weight(f, activity.fade), a - before)
            else:
                new = spec.rest + mul(weight(f, activity.fade), a - spec.rest)
                if activity.entered != NONE and show.scenes[activity.entered].loop:
                    fade_in = show.scenes[activity.entered].fade_in
                    new += mul(32768 - weight(f - activity.delay, fade_in), b - spec.rest)
                else:
                    new += b - spec.rest
            window = [*window[1:], new]
        out.append(list(window))
    return out


def motion(track: Track, c: list[int], tick: int) -> tuple[int, int, int, int]:
    """P, V, A, J by the recurrence of FORMAT.md from the span's start."""
    n = track.knot_frames
    j = c[3] - 3 * c[2] + 3 * c[1] - c[0]
    a = 3 * n * (c[0] - 2 * c[1] + c[2])
    v = 3 * n * n * (c[2] - c[0])
    p = n**3 * (c[0] + 4 * c[1] + c[2])
    for _ in range(tick):
        p += v + a + j
        v += 2 * a + 3 * j
        a += 3 * j
    return p, v, a, j


def pulse(track: Track, position: int) -> int:
    scale = 6 * track.knot_frames**3
    exponent = track.exponent
    value = (2 * 16 * track.origin_us * scale + position * 2 ** (5 - exponent) + scale) // (2 * scale)
    return min(max(value, 16 * track.ends[0]), 16 * track.ends[1])
