"""What a figure's first move, or the way its board last started, asks a builder to be careful about."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.board.reports import Hello


def start_cautions(hello: Hello, simulated: bool) -> Iterator[str]:
    """What to tell once, on a real board: a start that nobody knows the pose of, a supply that sagged."""
    from sequencer.board.reports import BROWN_OUT, SAGGING

    if hello.reset_words == BROWN_OUT:
        yield f"The board last started because its supply sagged (brown-out): {SAGGING}."
    if hello.pose_unknown and not simulated:
        yield (
            "Unknown start: at their first pulse the servos jump from wherever they are to the parked pose. "
            "Keep clear, and support a head that could fall."
        )


def memory_words(starts_s: float) -> Iterator[str]:
    """What to tell before a wait that an I2C memory makes long."""
    if starts_s > 0.5:
        yield f"A board that was reset reads through its I2C memory first: up to {starts_s:.0f} s."
