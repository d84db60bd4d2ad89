"""Whether a board was calibrated for other values than the figure's file now says."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.board.link import Link
    from sequencer.figure.model import Figure


def other_calibration(link: Link, figure: Figure) -> list[str]:
    """What to tell when the board's copy is of this figure and differs; otherwise nothing.

    A board that has no copy, or one of another figure, plays this one just as well: what it plays is in its
    flash, and a spare board needs only that.

    Raises:
        LinkError: the line is in trouble.

    """
    from sequencer.board.memory import copy_of, differences, read_copy

    copy = read_copy(link)
    if copy is None or copy.figure != copy_of(figure).figure:
        return []
    differs = differences(copy, figure)
    if not differs:
        return []
    return [
        f"this board was last calibrated for other values than {figure.file} has now:",
        *(f"    {line}" for line in differs),
        "    the file counts; was it taken from an older copy, or the servo swapped? "
        "quarterjack calibrate --only NAME makes both agree",
    ]


def tell_other_calibration(link: Link, figure: Figure, tell: Callable[[str], None]) -> None:
    """Tell it, if there is anything to tell."""
    for line in other_calibration(link, figure):
        tell(line)
