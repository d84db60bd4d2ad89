"""Still pictures of scenes: what was asked against what is planned, lamps, switches, findings.

The drawing library is imported when a picture is made, never before.
"""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from sequencer.errors import UsageError
from sequencer.files import replace_file
from sequencer.view import look
from sequencer.view.model import AxisCurve, SceneView

_AXIS_IN, _LAMP_IN, _SWITCH_IN = 1.25, 0.5, 0.34  # heights of the lanes, inches
_HEAD_IN, _FOOT_IN, _GAP_IN = 0.78, 0.55, 0.13
_LEFT_IN, _PLOT_IN, _RIGHT_IN = 1.65, 7.6, 1.75
_LEGEND_IN, _NOTE_IN, _EDGE_IN = 0.52, 0.19, 0.1
#: Half a finding's marker, and a figure of its number, in inches.
_MARK_IN, _LETTER_IN = 0.06, 0.085
_DPI = 110
_MAX_NOTES = 9


def scene_png(views: Sequence[SceneView], file: Path) -> None:
    """Draw scenes into one PNG: one alone, several in two columns.

    Each axis shows the wish as authored (broad, pale) and the plan (thin, dark) in degrees over
    seconds, with the range; findings are numbered where they happen and listed below. Raises
    UsageError when there is no scene to draw, the file is not a ``.png`` or cannot be written.
    """
    look.require_suffix(file, (".png",), "a picture")
    if not views:
        raise UsageError("there is no scene to draw; name one, or add a .scene file to the show")
    replace_file(file, _render(views))


def _render(views: Sequence[SceneView]) -> bytes:
    import io

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Canvas

    columns = 1 if len(views) == 1 else 2
    rows = [views[at : at + columns] for at in range(0, len(views), columns)]
    heights = [max(_block_in(view) for view in row) for row in rows]
    width = columns * (_LEFT_IN + _PLOT_IN + _RIGHT_IN)
    # The legend stands between the first title and the first lanes.
    heights[0] += _LEGEND_IN
    total = _EDGE_IN + sum(heights)
    canvas = Canvas(figsize=(width, total), dpi=_DPI, facecolor=look.PAPER)
    FigureCanvasAgg(canvas)
    top = total - _EDGE_IN
    _legend(canvas, width, total, top - _HEAD_IN + 0.13)
    for index, (row, height) in enumerate(zip(rows, heights, strict=True)):
        for column, view in enumerate(row):
            head = _HEAD_IN + (_LEGEND_IN if index == 0 else 0.0)
            _Block(canvas, view, column * (width / columns), top, head).draw()
        top -= height
    out = io.BytesIO()
    canvas.savefig(out, format="png", dpi=_DPI, facecolor=look.PAPER)
    return out.getvalue()


def _lanes_in(view: SceneView) -> list[float]:
    return [_AXIS_IN] * len(view.axes) + [_LAMP_IN] * len(view.lamps) + [_SWITCH_IN] * len(view.switches)


def _block_in(view: SceneView) -> float:
    lanes = _lanes_in(view)
    return _HEAD_IN + sum(lanes) + _GAP_IN * len(lanes) + _FOOT_IN + _NOTE_IN * len(_note_lines(view)) + 0.15


def _note_lines(view: SceneView) -> list[tuple[str, str]]:
    """(the finding's number or nothing, text) per printed line."""
    lines: list[tuple[str, str]] = []
    numbered = look.numbered(view)
    for number, finding in numbered[:_MAX_NOTES]:
        when = "" if finding.time_s is None else f" at {look.clock(finding.time_s)}"
        said = textwrap.wrap(f"{finding.severity}{when}: {look.sentence(finding.message)}", 122)
        if finding.remedy:
            said += textwrap.wrap(f"Do: {look.sentence(finding.remedy)}", 118)
        lines += [(str(number) if index == 0 else "", line) for index, line in enumerate(said)]
    if len(numbered) > _MAX_NOTES:
        lines.append(("", f"... and {len(numbered) - _MAX_NOTES} more: see `quarterjack check`."))
    return lines


def _legend(canvas: Any, width: float, total: float, top: float) -> None:
    """What the inks and the marks mean, from ``top`` inches down, over the first lanes."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=look.WISH, lw=5, solid_capstyle="butt", label="wish, as authored"),
        Line2D([], [], color=look.PLAN, lw=1.5, label="planned, what the board plays"),
        Patch(facecolor=look.OUTSIDE, edgecolor=look.FAINT, hatch="////", lw=0, label="outside the range"),
    ]
    marks: list[Any] = [
        Line2D([], [], color=look.FINDING, marker=look.SHAPES[severity], ls="", ms=7, label=severity)
        for severity in look.SEVERITIES
    ]
    marks.append(Line2D([], [], ls="", label="where it begins; its number is that of the text below"))
    rows: list[tuple[list[Any], float]] = [(handles, 1.8), (marks, 0.8)]
    for row, (entries, length) in enumerate(rows):
        canvas.legend(
            handles=entries,
            loc="upper left",
            bbox_to_anchor=(_LEFT_IN / width - 0.005, (top - 0.2 * row) / total),
            ncols=len(entries),
            frameon=False,
            fontsize=9,
            labelcolor=look.INK,
            columnspacing=1.6,
            handlelength=length,
            borderaxespad=0,
            borderpad=0.2,
        )


class _Block:
    """One scene on the sheet, its lanes sharing the time axis; ``left``, ``top`` and ``head`` in inches."""

    def __init__(self, canvas: Any, view: SceneView, left: float, top: float, head: float) -> None:
        self.canvas, self.view, self.left, self.top = canvas, view, left, top
        self.width, self.height = canvas.get_size_inches()
        self.y = top - head
        self.marks = look.numbered(view)

    def draw(self) -> None:
        view = self.view
        kind = "loop" if view.loop else "scene"
        self._text(0.0, self.top - 0.28, f"{view.figure}: {view.scene}", size=15, weight="bold")
        self._text(
            0.0,
            self.top - 0.5,
            f"{kind} of {view.duration_s:.2f} s ({look.clock(view.duration_s)})",
            size=9.5,
        )
        lanes: list[tuple[str, Any]] = []
        for axis in view.axes:
            lanes.append((axis.name, self._lane(_AXIS_IN)))
            self._axis(lanes[-1][1], axis)
        for lamp in view.lamps:
            lanes.append((lamp.name, self._lane(_LAMP_IN)))
            self._lamp(lanes[-1][1], lamp.name, lamp.lightness_percent)
        for switch in view.switches:
            lanes.append((switch.name, self._lane(_SWITCH_IN)))
            self._switch(lanes[-1][1], switch.name, switch.on_s)
        names = {name for name, _ in lanes}
        for index, (name, lane) in enumerate(lanes):
            self._time_axis(lane, last=index == len(lanes) - 1)
            # What belongs to no lane is marked on the first.
            mine = {name} if index else {name} | {finding.channel for _, finding in self.marks} - names
            self._findings(lane, mine)
        self._notes()

    def _text(self, x: float, y: float, said: str, *, size: float, weight: str = "normal") -> None:
        self.canvas.text(
            (self.left + _LEFT_IN + x) / self.width,
            y / self.height,
            said,
            fontsize=size,
            fontweight=weight,
            color=look.INK,
            va="baseline",
            parse_math=False,
        )

    def _lane(self, tall: float) -> Any:
        self.y -= tall
        box = (
            (self.left + _LEFT_IN) / self.width,
            self.y / self.height,
            _PLOT_IN / self.width,
            tall / self.height,
        )
        self.y -= _GAP_IN
        lane = self.canvas.add_axes(box, facecolor="white")
        lane.set_xlim(0.0, self.view.duration_s)
        for side in ("top", "right"):
            lane.spines[side].set_visible(False)
        for side in ("left", "bottom"):
            lane.spines[side].set_color(look.RULE)
        lane.tick_params(colors=look.FAINT, labelsize=8, length=3)
        lane.grid(axis="x", color=look.RULE, lw=0.6)
        lane.set_axisbelow(True)
        return lane

    def _name(self, lane: Any, name: str, unit: str, words: tuple[str, str] | None = None) -> None:
        """The lane's name and unit at its left; ``words`` say what down and up mean."""
        box = lane.get_position()
        x = (self.left + 0.15) / self.width
        middle = (box.y0 + box.y1) / 2
        shown = name if len(name) <= 14 else name[:13] + "\u2026"
        up = 0.075 / self.height
        self.canvas.text(
            x,
            middle + up,
            shown,
            parse_math=False,
            fontsize=10,
            fontweight="bold",
            color=look.INK,
            va="center",
        )
        self.canvas.text(x, middle - up, unit, fontsize=8, color=look.FAINT, va="center")
        if words is not None:
            style = {"fontsize": 8, "style": "italic", "color": look.INK, "parse_math": False}
            self.canvas.text(x, box.y1, f"\u2191 {words[1]}", va="top", **style)
            self.canvas.text(x, box.y0, f"\u2193 {words[0]}", va="bottom", **style)

    def _beside(self, lane: Any, said: str) -> None:
        lane.annotate(
            said,
            (1.0, 1.0),
            xycoords="axes fraction",
            xytext=(9, 0),
            textcoords="offset points",
            fontsize=8,
            color=look.FAINT,
            va="top",
            linespacing=1.3,
            parse_math=False,
        )

    def _axis(self, lane: Any, axis: AxisCurve) -> None:
        from matplotlib.ticker import MaxNLocator

        low, high = look.window_deg(axis)
        lane.set_ylim(low, high)
        for edge, far in ((axis.low_deg, low), (axis.high_deg, high)):
            if low < edge < high or edge == far:
                lane.axhspan(
                    min(edge, far),
                    max(edge, far),
                    facecolor=look.OUTSIDE,
                    edgecolor="#c9c4b4",
                    hatch="////",
                    lw=0,
                )
                lane.axhline(edge, color=look.FAINT, lw=0.7)
        if low < 0.0 < high:
            lane.axhline(0.0, color=look.RULE, lw=0.9)
        asked_s = np.linspace(0.0, self.view.duration_s, len(axis.asked_deg))
        planned_s = np.linspace(0.0, self.view.duration_s, len(axis.planned_deg))
        lane.plot(asked_s, axis.asked_deg, color=look.WISH, lw=4.5, solid_capstyle="butt")
        lane.plot(planned_s, axis.planned_deg, color=look.PLAN, lw=1.4)
        lane.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10], min_n_ticks=3))
        self._name(lane, axis.name, "deg", axis.words)
        error = f"rms error {axis.rms_error_deg:.2f} deg"
        self._beside(lane, f"{look.peak_words(axis)}\n{error}\nrange {look.span_words(axis)}")

    def _lamp(self, lane: Any, name: str, percent: Any) -> None:
        times = np.arange(len(percent)) * self.view.frame_s
        lane.set_ylim(0.0, 106.0)
        lane.set_yticks([0, 50, 100])
        lane.fill_between(times, percent, step="post", color=look.LAMP, alpha=0.35, lw=0)
        lane.step(times, percent, where="post", color=look.LAMP, lw=1.1)
        self._name(lane, name, "lightness, %")

    def _switch(self, lane: Any, name: str, on_s: Sequence[tuple[float, float]]) -> None:
        lane.set_ylim(0.0, 1.0)
        lane.set_yticks([])
        # A strike of 40 ms would be less than a pixel wide in a long scene: give each bar an edge.
        lane.broken_barh(
            [(begin, end - begin) for begin, end in on_s],
            (0.15, 0.7),
            facecolor=look.SWITCH,
            edgecolor=look.SWITCH,
            lw=1.6,
        )
        self._name(lane, name, "on / off")
        times = "once" if len(on_s) == 1 else f"{len(on_s)} times" if on_s else "stays off"
        self._beside(lane, f"on {times}" if on_s else times)

    def _findings(self, lane: Any, channels: Collection[str | None]) -> None:
        """Mark where the findings of these channels begin; those that would overlap share a mark."""
        inches = _PLOT_IN / self.view.duration_s
        marks = [
            (min(max(finding.time_s, 0.0), self.view.duration_s) * inches, number, finding)
            for number, finding in self.marks
            if finding.time_s is not None and finding.channel in channels
        ]
        for place in {place for place, _, _ in marks}:
            lane.axvline(place / inches, color=look.FINDING, lw=0.8, ls=(0, (2, 2)), zorder=4)
        for cluster in look.clusters(marks, _MARK_IN, _LETTER_IN):
            time_s = cluster[0][0] / inches
            lane.plot(
                [time_s],
                [1.0],
                marker=look.SHAPES[look.worst(finding for _, _, finding in cluster).severity],
                ms=6,
                color=look.FINDING,
                transform=lane.get_xaxis_transform(),
                clip_on=False,
                zorder=6,
            )
            lane.annotate(
                look.run_words(sorted(number for _, number, _ in cluster)),
                (time_s, 1.0),
                xycoords=lane.get_xaxis_transform(),
                xytext=(5, -1),
                textcoords="offset points",
                fontsize=8,
                fontweight="bold",
                color=look.FINDING,
                va="bottom",
                annotation_clip=False,
                zorder=6,
            )

    def _time_axis(self, lane: Any, *, last: bool) -> None:
        from matplotlib.ticker import MaxNLocator

        lane.xaxis.set_major_locator(MaxNLocator(nbins=12, steps=[1, 2, 5, 10]))
        lane.tick_params(axis="x", labelbottom=last)
        if last:
            lane.set_xlabel("time, s", fontsize=9, color=look.INK, labelpad=2)

    def _notes(self) -> None:
        y = self.y - _FOOT_IN + 0.1
        x = (self.left + _LEFT_IN) / self.width
        for number, line in _note_lines(self.view):
            self.canvas.text(
                x, y / self.height, number, fontsize=8.2, fontweight="bold", color=look.FINDING, va="top"
            )
            self.canvas.text(
                x + 0.2 / self.width,
                y / self.height,
                line,
                fontsize=8.2,
                color=look.INK,
                va="top",
                parse_math=False,
            )
            y -= _NOTE_IN
