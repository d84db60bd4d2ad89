"""Lamps of three colours as the player knows them: three dimmed channels that keep their proportions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sequencer.figure.colours import Colour, channel
from sequencer.figure.model import NO_PIN, Figure, Lamp
from sequencer.tables.model import LampRecord
from sequencer.tables.streams import encode_lamp, lightness
from sequencer.timeline.model import LampStep

_NAMES = ("red", "green", "blue")


@dataclass(frozen=True)
class LampChannel:
    """One channel: its lamp, and which colour of it (None: a lamp of one colour)."""

    lamp: Lamp
    index: int | None

    @property
    def name(self) -> str:
        """As in the image: ``lantern``, or ``lantern.red``."""
        return self.lamp.name if self.index is None else f"{self.lamp.name}.{_NAMES[self.index]}"

    @property
    def pin(self) -> int:
        """255: none."""
        return self.lamp.pin if self.index is None else self.lamp.pins[self.index]

    def level(self, level: float, colour: Colour) -> float:
        """The channel's lightness at the lamp's."""
        return level if self.index is None else channel(level, colour[self.index])


def lamp_channels(figure: Figure) -> tuple[LampChannel, ...]:
    """All channels, in the image's order."""
    found: list[LampChannel] = []
    for lamp in figure.lamps.values():
        found += [LampChannel(lamp, i) for i in range(3)] if lamp.rgb else [LampChannel(lamp, None)]
    return tuple(found)


def channel_numbers(figure: Figure, lamp: str) -> tuple[int, int, int]:
    """Where a lamp's red, green and blue stand in the image; a lamp of one colour stands for all three."""
    at = [i for i, item in enumerate(lamp_channels(figure)) if item.lamp.name == lamp]
    return (at[0], at[1], at[2]) if len(at) == 3 else (at[0], at[0], at[0])


def lamp_records(figure: Figure) -> tuple[LampRecord, ...]:
    """The image's lamp records."""
    return tuple(
        LampRecord(
            item.name,
            item.pin,
            item.lamp.active_low and item.pin != NO_PIN,
            lightness(item.level(item.lamp.rest, item.lamp.colour)),
        )
        for item in lamp_channels(figure)
    )


def lamp_streams(
    figure: Figure, lamps: Mapping[str, Sequence[LampStep]], frames: int, frame_us: int
) -> tuple[bytes | None, ...]:
    """Each channel's stream in one scene. Raises ValueError as :func:`encode_lamp`."""
    return tuple(
        encode_lamp(_steps(item, lamps.get(item.lamp.name, ())), frames, frame_us)
        for item in lamp_channels(figure)
    )


def _steps(item: LampChannel, steps: Sequence[LampStep]) -> list[LampStep]:
    """A lamp's steps for one of its channels; a colour stays until the next one."""
    if item.index is None:
        return list(steps)
    out = []
    colour, level = item.lamp.colour, item.lamp.rest
    for step in steps:
        colour = step.colour or colour
        if step.op == "flicker":
            dip = item.level(level, colour) - item.level(max(0.0, level - step.depth), colour)
            out.append(replace(step, depth=dip))
            continue
        level = step.level
        out.append(replace(step, level=item.level(level, colour)))
    return out
