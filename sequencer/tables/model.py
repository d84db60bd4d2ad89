"""What a show image holds, as frozen values: the records of FORMAT.md and the coded streams."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

#: Six servo frames: where every track has a knot, scenes begin and end, and transitions start.
COMMON_FRAMES = 6
#: The servo frame of every player of this version, in microseconds.
FRAME_US = 20_000
#: "No scene" in a record.
NONE = 255
#: The longest fade, delay, stop or settle time in frames: the player's clocks have 16 bits.
LONGEST_FADE = 16_380
#: The longest scene in frames, a multiple of six, for the same reason.
LONGEST_SCENE = 65_532
#: The longest pulse: 16 bits of sixteenths.
LONGEST_PULSE_US = 4095
#: The most that any player keeps track of.
LARGEST_COUNTS: Mapping[str, int] = {"tracks": 32, "lamps": 16, "switches": 8, "inputs": 8, "scenes": 254}
#: Board numbers in the image's header. An Uno's player and a Nano's are the same, which serves both numbers.
BOARDS: Mapping[str, int] = {"uno": 1, "nano": 2, "mega": 3}


#: Kinds of inputs by their number in a record.
INPUT_KINDS: Mapping[str, int] = {"trigger": 1, "stop": 2, "rail": 3}


@dataclass(frozen=True)
class TrackRecord:
    """One servo's track: pulse_us = origin_us + value * 2**-lsb_exponent.

    ``bounds`` are the certified |D1|, |D2|, |D3| in LSB; ``ends_us`` what the player never leaves.
    """

    name: str
    pin: int
    knot_frames: int
    lsb_exponent: int
    origin_us: int
    rest: int
    parked: int
    low: int
    high: int
    bounds: tuple[int, int, int]
    ends_us: tuple[int, int]


@dataclass(frozen=True)
class LampRecord:
    """A lamp's pin and its lightness at rest, 0..200."""

    name: str
    pin: int
    active_low: bool
    rest: int


@dataclass(frozen=True)
class SwitchRecord:
    """A switch's pin and the frames after which the player turns it off by itself (0: never)."""

    name: str
    pin: int
    active_low: bool
    max_on_frames: int


@dataclass(frozen=True)
class InputRecord:
    """A watched pin and what it plays.

    ``debounce`` counts sixths of a frame. Every ``nth`` accepted trigger (0: never) plays
    ``nth_scene`` instead of ``scene``; scenes by name, None for nothing.
    ``kind`` is one of :data:`INPUT_KINDS`; only a trigger plays anything.
    """

    name: str
    pin: int
    active_low: bool
    pull_up: bool
    debounce: int
    cooldown_frames: int
    scene: str | None
    nth: int
    nth_scene: str | None
    kind: str = "trigger"


@dataclass(frozen=True)
class SceneRecord:
    """One scene's length and its coded streams, one a channel: tracks, lamps, switches in record order.

    A stream is None when its channel does nothing. ``fade_in_frames`` (loops only) is the length of
    the fade from rest into phase 0.
    """

    name: str
    frames: int
    loop: bool
    fade_in_frames: int
    tracks: tuple[bytes | None, ...]
    lamps: tuple[bytes | None, ...]
    switches: tuple[bytes | None, ...]

    @property
    def streams(self) -> tuple[bytes | None, ...]:
        """All streams in the order of the scene's offsets."""
        return self.tracks + self.lamps + self.switches

    @property
    def table_bytes(self) -> int:
        """Bytes this scene takes in the image: its record, its offsets and its streams."""
        return 12 + 4 * len(self.streams) + sum(len(stream) for stream in self.streams if stream)


@dataclass(frozen=True)
class Transition:
    """How a loop is left: its motion fades in ``fade_frames``, the scene begins after ``delay_frames``."""

    fade_frames: int
    delay_frames: int


@dataclass(frozen=True)
class Extra:
    """A part that only some shows have (FORMAT.md, "Extras"): its number, 1..255, and its bytes."""

    tag: int
    content: bytes


def content_of(extras: Iterable[Extra], tag: int) -> bytes | None:
    """What the extra with this number holds; None where there is none."""
    return next((item.content for item in extras if item.tag == tag), None)


@dataclass(frozen=True)
class ShowImage:
    """Everything that the player knows. ``transitions`` has a row for each loop (in scene order) and in
    it a column for each scene, then one for rest; ``idle`` names the scene played when nothing else is.
    """

    figure: str
    board: str
    frame_us: int
    settle_frames: int
    stop_frames: int
    stagger_frames: int
    boot_frames: int
    tracks: tuple[TrackRecord, ...]
    lamps: tuple[LampRecord, ...]
    switches: tuple[SwitchRecord, ...]
    inputs: tuple[InputRecord, ...]
    scenes: tuple[SceneRecord, ...]
    idle: str | None
    transitions: tuple[tuple[Transition, ...], ...]
    extras: tuple[Extra, ...] = ()

    @property
    def loops(self) -> tuple[SceneRecord, ...]:
        """The loop scenes, in the order of the transition table's rows."""
        return tuple(scene for scene in self.scenes if scene.loop)

    def number(self, scene: str | None) -> int:
        """The scene's number in the image, 255 for None.

        Raises:
            KeyError: there is no such scene.
        """
        if scene is None:
            return NONE
        for index, record in enumerate(self.scenes):
            if record.name == scene:
                return index
        raise KeyError(scene)
