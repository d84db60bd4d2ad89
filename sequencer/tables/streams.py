"""Lamp and switch streams (FORMAT.md, "Lamp stream", "Switch stream"): a timeline's steps as frames."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.timeline.model import LampStep, Shortfall, SwitchStep

_SET, _RAMP, _FLICKER = 1, 2, 3
_KINDS = {"gutter": 1, "failing": 2}


def frames_from_s(time_s: float, frame_us: int) -> int:
    """The nearest whole frame."""
    return max(0, round(time_s * 1e6 / frame_us))


def lightness(level: float) -> int:
    """A lightness 0..1 in the image's half per cents, 0..200."""
    return min(200, max(0, round(level * 200)))


def varint(value: int) -> bytes:
    """Seven bits a byte, low bits first, high bit: more follow.

    Raises:
        ValueError: more than 65535, the most that the player counts to.
    """
    if value > 65535:
        raise ValueError(f"nothing may wait or last longer than 65535 frames, this takes {value}")
    out = bytearray()
    while value > 127:
        out.append(value & 127 | 128)
        value >>= 7
    out.append(value)
    return bytes(out)


def encode_lamp(steps: Sequence[LampStep], frames: int, frame_us: int) -> bytes | None:
    """A lamp's steps in one scene of ``frames`` frames; None when there are none.

    Times are rounded to the nearest frame and kept inside the scene; a ramp or flicker that rounds to
    no frame at all becomes a set or nothing. Steps must be in time order.

    Raises:
        ValueError: steps out of order.
    """
    out = bytearray()
    before = 0
    for step in steps:
        at = min(frames_from_s(step.time_s, frame_us), frames - 1)
        if at < before:
            raise ValueError(f"the lamp step at {step.time_s:g} s comes before the one ahead of it")
        length = frames_from_s(step.duration_s, frame_us)
        if step.op == "flicker":
            if length == 0 or lightness(step.depth) == 0:
                continue
            arguments = bytes([_KINDS[step.kind], lightness(step.depth)])
            arguments += (step.seed & 0xFFFF).to_bytes(2, "little") + varint(length)
            code = _FLICKER
        elif step.op == "ramp" and length > 0:
            code, arguments = _RAMP, bytes([lightness(step.level)]) + varint(length)
        else:
            code, arguments = _SET, bytes([lightness(step.level)])
        out += bytes([code]) + varint(at - before) + arguments
        before = at
    return bytes(out) + b"\0" if out else None


def encode_switch(
    steps: Sequence[SwitchStep], frames: int, frame_us: int, lead_s: float, channel: str
) -> tuple[bytes | None, tuple[Shortfall, ...]]:
    """A switch's steps in one scene, each set ``lead_s`` early so that it acts on time.

    A step that would have to be set before the scene begins is set at its beginning and acts late; its
    strike keeps its length, and only what the lengthened strike runs into moves with it. Each switching
    on that is late is told as a ``sync`` shortfall, below one frame as a note. On and off never fall
    into the same frame.

    Returns:
        The stream (None when there are no steps) and what could not be on time.

    Raises:
        ValueError: steps out of order.
    """
    out = bytearray()
    late: list[Shortfall] = []
    before, wanted_before, kept_before = 0, 0.0, 0.0
    for index, step in enumerate(steps):
        if index and step.time_s < wanted_before:
            raise ValueError(f"the switch step at {step.time_s:g} s comes before the one ahead of it")
        kept = max(step.time_s - lead_s, 0.0)
        if step.on:
            kept = max(kept, kept_before)
        elif index:
            kept = max(kept, kept_before + step.time_s - wanted_before)
        if step.on and kept > step.time_s - lead_s + 1e-9:
            late.append(_late(channel, step.time_s, lead_s, kept, frame_us))
        at = frames_from_s(kept, frame_us)
        if index:
            at = max(at, before + 1)
        at = min(at, frames - 1)
        if at < before or (index and at == before):
            raise ValueError(f"the switch {channel} has no frame left at the end of the scene")
        out += varint(1 + 2 * (at - before) + int(step.on))
        before, wanted_before, kept_before = at, step.time_s, kept
    return (bytes(out) + b"\0" if out else None), tuple(late)


def _late(channel: str, time_s: float, lead_s: float, kept_s: float, frame_us: int) -> Shortfall:
    by_s = kept_s + lead_s - time_s
    message = f"{channel} acts {by_s * 1000:.0f} ms late: "
    if time_s < lead_s:
        before = f"the scene begins only {time_s * 1000:.0f} ms before"
        message += f"it needs {lead_s * 1000:.0f} ms of lead, but {before}"
    else:
        message += "the strike before it could not begin sooner and is still on"
    return Shortfall(
        code="sync",
        channel=channel,
        time_s=time_s,
        line=0,
        value=by_s,
        limit=0.0,
        unit="s",
        message=message,
        remedy=f"let {channel} act at {math.ceil((kept_s + lead_s) * 100 - 1e-6) / 100:.2f} s or later",
        severity="warning" if by_s > frame_us * 1e-6 else "note",
    )
