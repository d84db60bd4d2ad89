"""A sheet of paper for small technical drawings: lines, circles, words and dimensions, as SVG text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.sax.saxutils import escape

Spot = tuple[float, float]

INK, GREY, FAINT, RED, BLUE = "#222", "#666", "#b8b8b8", "#b3261e", "#1f5fa8"


class Paper:
    """Collects shapes in drawing units (x right, y down, 1 unit = 1 px)."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self._shapes: list[str] = []

    def line(
        self, spots: Sequence[Spot], ink: str = INK, wide: float = 1.0, dash: str = "", fill: str = "none"
    ) -> None:
        """A polyline; closed and filled when ``fill`` is a colour."""
        points = " ".join(f"{x:.2f},{y:.2f}" for x, y in spots)
        kind = "polyline" if fill == "none" else "polygon"
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self._shapes.append(
            f'<{kind} points="{points}" fill="{fill}" stroke="{ink}" stroke-width="{wide:g}"{dashes} '
            'stroke-linecap="round" stroke-linejoin="round"/>'
        )

    def circle(self, at: Spot, radius: float, ink: str = INK, fill: str = "none", wide: float = 1.0) -> None:
        """A circle."""
        self._shapes.append(
            f'<circle cx="{at[0]:.2f}" cy="{at[1]:.2f}" r="{radius:g}" fill="{fill}" stroke="{ink}" '
            f'stroke-width="{wide:g}"/>'
        )

    def words(
        self,
        at: Spot,
        text: str,
        ink: str = INK,
        size: float = 11.0,
        anchor: str = "start",
        turned_deg: float = 0.0,
        bold: bool = False,
    ) -> None:
        """A line of text; ``turned_deg`` clockwise about its own place."""
        x, y = at
        turn = f' transform="rotate({turned_deg:.1f} {x:.2f} {y:.2f})"' if turned_deg else ""
        weight = ' font-weight="bold"' if bold else ""
        # A white rim keeps words readable where they cross a line.
        self._shapes.append(
            f'<text x="{x:.2f}" y="{y:.2f}" fill="{ink}" font-size="{size:g}" text-anchor="{anchor}"{weight}'
            f'{turn} stroke="white" stroke-width="3" paint-order="stroke">{escape(text)}</text>'
        )

    def arrow(self, start: Spot, end: Spot, ink: str = INK, wide: float = 1.0, both: bool = False) -> None:
        """A line with a head at its end, or at both ends."""
        self.line((start, end), ink, wide)
        for tip, tail in ((end, start), (start, end)) if both else ((end, start),):
            turn = math.atan2(tip[1] - tail[1], tip[0] - tail[0])
            wings = [
                (tip[0] - 6.0 * math.cos(turn + side), tip[1] - 6.0 * math.sin(turn + side))
                for side in (0.35, -0.35)
            ]
            self.line((wings[0], tip, wings[1]), ink, wide, fill=ink)

    def dimension(self, start: Spot, end: Spot, aside: Spot, text: str) -> None:
        """A dimension between two spots, its line shifted by ``aside``, with thin lines leading to it."""
        one = (start[0] + aside[0], start[1] + aside[1])
        two = (end[0] + aside[0], end[1] + aside[1])
        self.line((start, one), FAINT, 0.7)
        self.line((end, two), FAINT, 0.7)
        if math.dist(one, two) > 14.0:
            self.arrow(one, two, BLUE, 0.8, both=True)
        else:
            self.line((one, two), BLUE, 0.8)
        turn = math.degrees(math.atan2(two[1] - one[1], two[0] - one[0]))
        turn = turn - 180.0 if turn > 89.0 else turn + 180.0 if turn <= -91.0 else turn
        lift = math.radians(turn - 90.0)
        middle = (
            (one[0] + two[0]) / 2.0 + 4.0 * math.cos(lift),
            (one[1] + two[1]) / 2.0 + 4.0 * math.sin(lift),
        )
        self.words(middle, text, BLUE, 10.0, "middle", turn)

    def svg(self, title: str) -> str:
        """The whole drawing; it scales with the page and stands on white."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:.0f} {self.height:.0f}" '
            f'width="{self.width:.0f}" role="img" style="max-width:100%;height:auto" '
            f'font-family="system-ui, sans-serif"><title>{escape(title)}</title>'
            f'<rect width="100%" height="100%" fill="white"/>{"".join(self._shapes)}</svg>'
        )
