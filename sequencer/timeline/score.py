"""The score: imported or recorded wishes as text that a scene names.

::

    quarterjack score 1
    # made from storm.mid
    axis turn deg
    0 0
    0.25 -12.5
    0.4 0 accent
    lamp left_eye percent
    0 40
    0.5 100
    0.5 20 over 0.3
    switch bell
    1.5 strike
    2 on
    2.4 off

Times are seconds from the score's beginning, never going back within a channel. An axis's points
(figure degrees) are joined by straight lines; at an ``accent`` it is there on time if it can be at all,
at the cost of what is about it. A lamp jumps to a level, or goes there ``over`` seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, SceneError
from sequencer.timeline.parse import read_text
from sequencer.timeline.parts import MAX_ANGLE_DEG, MAX_LENGTH_S
from sequencer.timeline.words import listed

HEADER = "quarterjack score 1"
_UNITS = {"axis": "deg", "lamp": "percent", "switch": ""}
_MAX_POINTS = 200_000
_MAX_FAULTS = 50
SwitchWord = Literal["on", "off", "strike"]


@dataclass(frozen=True)
class LampPoint:
    """A lamp goes to ``level`` (0..1) at ``time_s`` over ``over_s`` (0: at once)."""

    time_s: float
    level: float
    over_s: float = 0.0


@dataclass(frozen=True)
class Score:
    """Wishes by channel: axes as (times in s, figure degrees), lamps and switches as points.

    ``lines`` says where each channel stands in its file, for faults. ``accents`` are those of an axis' points
    that are, by axis.
    """

    axes: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]] = field(default_factory=dict)
    lamps: Mapping[str, tuple[LampPoint, ...]] = field(default_factory=dict)
    switches: Mapping[str, tuple[tuple[float, SwitchWord], ...]] = field(default_factory=dict)
    lines: Mapping[str, int] = field(default_factory=dict)
    accents: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)


def read_score(path: Path) -> Score:
    """Read a score file. Raises :class:`SceneError` with every fault and its place."""
    return parse_score(read_text(path, "score"), str(path))


def parse_score(text: str, file: str) -> Score:
    """Like :func:`read_score`, from text."""
    return _Reader(text, file).read()


def format_score(score: Score, remarks: Iterable[str] = ()) -> str:
    """The text of a score; reading it again gives the same score (times to 1e-9 s, angles to 1e-4 deg)."""
    out = [HEADER, *(f"# {remark}" for remark in remarks)]
    for name, (times, angles) in score.axes.items():
        out.append(f"axis {name} deg")
        marked = set(score.accents.get(name, ()))
        out += [
            f"{_plain(t, 9)} {_plain(a, 4)}{' accent' if (t, a) in marked else ''}"
            for t, a in zip(times.tolist(), angles.tolist(), strict=True)
        ]
    for name, points in score.lamps.items():
        out.append(f"lamp {name} percent")
        for point in points:
            over = f" over {_plain(point.over_s, 4)}" if point.over_s > 0 else ""
            out.append(f"{_plain(point.time_s, 9)} {_plain(100 * point.level, 2)}{over}")
    for name, events in score.switches.items():
        out.append(f"switch {name}")
        out += [f"{_plain(t, 9)} {word}" for t, word in events]
    return "\n".join(out) + "\n"


def _plain(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


class _Reader:
    def __init__(self, text: str, file: str) -> None:
        self.rows = [row.rstrip("\r") for row in text.split("\n")]
        self.file = file
        self.faults: list[Fault] = []
        self.row = 0
        self.points = 0
        self.axes: dict[str, list[tuple[float, float]]] = {}
        self.accents: dict[str, list[tuple[float, float]]] = {}
        self.lamps: dict[str, list[LampPoint]] = {}
        self.switches: dict[str, list[tuple[float, SwitchWord]]] = {}
        self.lines: dict[str, int] = {}

    def read(self) -> Score:
        body = [
            (number, row.split("#", 1)[0].rstrip())
            for number, row in enumerate(self.rows, 1)
            if row.split("#", 1)[0].strip()
        ]
        if not body or body[0][1].split() != HEADER.split():
            self.row = body[0][0] if body else 1
            self._fault("this is not a score file", 0, 1, f"its first line is: {HEADER}")
            body = []
        kind: str | None = None
        name = ""
        for self.row, text in body[1:]:
            parts = text.split()
            if parts[0] in _UNITS:
                kind, name = parts[0], self._channel(text, parts)
            elif kind is None:
                self._fault(
                    f"`{parts[0][:20]}` cannot stand here",
                    text.find(parts[0]),
                    1,
                    f"begin a channel first: {listed(f'{k} NAME {u}'.strip() for k, u in _UNITS.items())}",
                )
            else:
                self._point(kind, name, text, parts)
            if len(self.faults) >= _MAX_FAULTS or self.points > _MAX_POINTS:
                break
        if self.faults:
            raise SceneError.from_faults(self.faults)
        axes = {}
        for axis, points in self.axes.items():
            times, angles = zip(*points, strict=True) if points else ((), ())
            axes[axis] = (np.array(times, dtype=np.float64), np.array(angles, dtype=np.float64))
        return Score(
            {axis: pair for axis, pair in axes.items() if pair[0].size},
            {lamp: tuple(points) for lamp, points in self.lamps.items() if points},
            {switch: tuple(events) for switch, events in self.switches.items() if events},
            self.lines,
            {axis: tuple(points) for axis, points in self.accents.items()},
        )

    def _fault(self, message: str, at: int, width: int, remedy: str | None) -> None:
        shown = self.rows[self.row - 1] if self.rows else None
        if shown is not None and len(shown) > 200:
            shown = shown[:200] + "..."
        self.faults.append(
            Fault(message, self.file, self.row, max(0, at) + 1, max(1, width), shown, remedy=remedy)
        )

    def _channel(self, text: str, parts: list[str]) -> str:
        kind, unit = parts[0], _UNITS[parts[0]]
        if parts[2:] != ([unit] if unit else []) or len(parts) < 2:
            self._fault(
                f"{'an' if kind == 'axis' else 'a'} {kind} begins differently",
                text.find(kind),
                len(kind),
                f"write: {kind} NAME {unit}".rstrip(),
            )
            name = parts[1] if len(parts) > 1 else ""
        else:
            name = parts[1]
            if name in self.lines:
                first = self.lines[name]
                self._fault(
                    f"`{name}` is already there (line {first})", text.find(name), len(name), "keep one"
                )
        self.lines.setdefault(name, self.row)
        if kind == "axis":
            self.axes.setdefault(name, [])
        elif kind == "lamp":
            self.lamps.setdefault(name, [])
        else:
            self.switches.setdefault(name, [])
        return name

    def _number(self, text: str, word: str, low: float, high: float, what: str) -> float | None:
        at = text.find(word)
        try:
            value = float(word)
        except ValueError:
            value = math.nan
        if math.isnan(value) or "_" in word:
            self._fault(f"`{word[:20]}` is not a number", at, len(word), "write a plain number")
            return None
        if not low <= value <= high:
            side = "big" if value > high else "small"
            self._fault(f"this {what} is too {side}", at, len(word), f"keep it within {low:g} to {high:g}")
            return None
        return value

    def _point(self, kind: str, name: str, text: str, parts: list[str]) -> None:
        self.points += 1
        if self.points > _MAX_POINTS:
            self._fault("too many points in one score", 0, 1, f"keep to {_MAX_POINTS}; split the score")
            return
        time_s = self._number(text, parts[0], 0.0, MAX_LENGTH_S, "time")
        if time_s is None:
            return
        row: list[tuple[float, float]] | list[LampPoint] | list[tuple[float, SwitchWord]]
        row = {"axis": self.axes, "lamp": self.lamps, "switch": self.switches}[kind][name]  # type: ignore[index]
        if row:
            last = row[-1].time_s if isinstance(row[-1], LampPoint) else row[-1][0]
            if time_s < last:
                self._fault(
                    "time goes back in this channel",
                    text.find(parts[0]),
                    len(parts[0]),
                    f"the point before is at {last:g} s: put them in order",
                )
                return
        if kind == "switch":
            if len(parts) != 2 or parts[1] not in ("on", "off", "strike"):
                self._fault("a switch point reads differently", 0, len(text), "write: TIME on, off or strike")
                return
            self.switches[name].append((time_s, parts[1]))  # type: ignore[arg-type]
        elif kind == "axis":
            if len(parts) != 2 and parts[2:] != ["accent"]:
                self._fault(
                    "an axis point reads differently",
                    0,
                    len(text),
                    "write: TIME DEGREES, or TIME DEGREES accent",
                )
                return
            angle = self._number(text, parts[1], -MAX_ANGLE_DEG, MAX_ANGLE_DEG, "angle")
            if angle is not None:
                self.axes[name].append((time_s, angle))
                if len(parts) == 3:
                    self.accents.setdefault(name, []).append((time_s, angle))
        else:
            self._lamp_point(name, time_s, text, parts)

    def _lamp_point(self, name: str, time_s: float, text: str, parts: list[str]) -> None:
        if len(parts) not in (2, 4) or (len(parts) == 4 and parts[2] != "over"):
            self._fault(
                "a lamp point reads differently", 0, len(text), "write: TIME PERCENT, or TIME PERCENT over S"
            )
            return
        percent = self._number(text, parts[1], 0.0, 100.0, "lightness")
        over = self._number(text, parts[3], 0.0, MAX_LENGTH_S, "duration") if len(parts) == 4 else 0.0
        if percent is not None and over is not None:
            self.lamps[name].append(LampPoint(time_s, percent / 100, over))
