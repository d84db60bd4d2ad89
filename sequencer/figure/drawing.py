"""Linkages drawn to scale, so that a wrong sign or a wrong length is seen at once."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.figure.draw_fourbar import fourbar_svg
from sequencer.figure.draw_pair import pair_svg
from sequencer.figure.model import Figure, FourBarDrive


@dataclass(frozen=True)
class Drawing:
    """One linkage as SVG text: an ``<svg>`` element on white that can stand in a page or a file."""

    linkage: str
    title: str
    svg: str


def drawings(figure: Figure) -> tuple[Drawing, ...]:
    """A drawing of every linkage that is not direct, pairs first."""
    found = []
    for name, pair in figure.pairs.items():
        title = f"{name}: {pair.axes[0]} and {pair.axes[1]} on two cranks"
        found.append(Drawing(name, title, pair_svg(figure, name, title)))
    for axis in figure.axes.values():
        if isinstance(axis.drive, FourBarDrive):
            name = axis.drive.name or axis.name
            title = (
                f"{axis.name} on a four-bar" if name == axis.name else f"{name}: {axis.name} on a four-bar"
            )
            found.append(Drawing(name, title, fourbar_svg(figure, axis.name, title)))
    return tuple(found)
