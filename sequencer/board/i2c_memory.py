"""Filling a board's I2C memory over the link."""

from __future__ import annotations

from collections.abc import Callable

from sequencer.board.link import Link
from sequencer.errors import Fault, LinkError

BLOCK = 16
#: Told as (what is being done, blocks done, blocks in all).
Progress = Callable[[str, int, int], None]


def send_outside(link: Link, outside: bytes, tell: Progress) -> None:
    """Write a show's outside part to the board's memory; the board is in fault until it is reset.

    Whether all of it arrived is the board's own check at its next start.

    Raises:
        LinkError: the link is gone, or the memory does not take a block.
    """
    blocks = -(-len(outside) // BLOCK)
    content = outside.ljust(blocks * BLOCK, b"\xff")
    for number in range(blocks):
        tell("memory", number, blocks)
        at = number * BLOCK
        try:
            link.block(at, content[at : at + BLOCK])
        except LinkError as refused:
            raise LinkError(
                Fault(
                    f"the board's I2C memory was not filled: {refused.faults[0].message}",
                    quantity="byte",
                    value=str(at),
                    remedy="check its wires (SDA, SCL, ground, supply), its address (0x50: A0 to A2 low) "
                    "and that WP is low; then run `quarterjack flash` again",
                )
            ) from refused
    tell("memory", blocks, blocks)
