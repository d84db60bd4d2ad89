"""The caution before a figure's first move: where its servos stand is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.board.link import Hello


def unknown_start(hello: Hello, simulated: bool) -> str | None:
    """What to tell once, on a real board that was switched on; None where there is nothing to fear."""
    if simulated or not hello.pose_unknown:
        return None
    return (
        "Unknown start: at their first pulse the servos jump from wherever they are to the parked pose. "
        "Keep clear, and support a head that could fall."
    )
