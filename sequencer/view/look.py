"""How our pictures look: one set of inks for the still and the page.

Blue against amber keeps apart for every common kind of colour blindness, and no meaning rests on
colour alone: the wish is broad and pale, the plan thin and dark, findings differ by shape.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path

from sequencer.errors import Fault, UsageError
from sequencer.finding import Finding
from sequencer.view.model import AxisCurve, SceneView

PAPER = "#fbf9f3"
INK = "#1d2b3a"
FAINT = "#6c7681"
RULE = "#d9d5c8"
OUTSIDE = "#e9e5d8"
WISH = "#f2b34c"
PLAN = "#12436d"
LAMP = "#d98e04"
SWITCH = "#4d7f9e"
FINDING = "#a3311c"

#: Marker shape (matplotlib's letter) of a finding, by severity; the page draws the same shapes.
SHAPES = {"error": "v", "warning": "D", "note": "o"}
#: Worst first.
SEVERITIES = ("error", "warning", "note")


def numbered(view: SceneView) -> list[tuple[int, Finding]]:
    """Findings in the order of their times, worst first where they share one; untimed ones last."""

    def key(finding: Finding) -> tuple[float, int]:
        time_s = math.inf if finding.time_s is None else finding.time_s
        return time_s, SEVERITIES.index(finding.severity)

    return list(enumerate(sorted(view.findings, key=key), start=1))


def run_words(numbers: Sequence[int]) -> str:
    """Rising numbers as a person writes them: 1, 2, 3, 5 is ``1-3,5``."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ",".join(
        str(run[0]) if len(run) == 1 else f"{run[0]}{',' if len(run) == 2 else '-'}{run[-1]}" for run in runs
    )


def clusters(
    marks: Iterable[tuple[float, int, Finding]], half: float, letter: float
) -> list[list[tuple[float, int, Finding]]]:
    """Marks (place, number, finding) that would print over each other, gathered into one mark each.

    ``half`` is half a marker's width and ``letter`` a figure's, in the unit of the places. A cluster
    is drawn at its first place, with the shape of its worst finding and :func:`run_words` of its
    numbers; the next mark joins it while it would touch those.
    """
    found: list[list[tuple[float, int, Finding]]] = []
    for mark in sorted(marks, key=lambda each: (each[0], each[1])):
        if found:
            words = run_words(sorted(number for _, number, _ in found[-1]))
            if mark[0] - half < found[-1][0][0] + half + letter * (len(words) + 0.5):
                found[-1].append(mark)
                continue
        found.append([mark])
    return found


def worst(findings: Iterable[Finding]) -> Finding:
    """The one of the worst severity; the first of several."""
    return min(findings, key=lambda finding: SEVERITIES.index(finding.severity))


def sentence(said: str) -> str:
    """Ends in a full stop, or in what it ends in already."""
    said = said.strip()
    return said if said.endswith((".", "!", "?", ":")) else said + "."


def require_suffix(file: Path, suffixes: tuple[str, ...], what: str) -> None:
    """Refuse a name that says another kind of file: it might be one that somebody wrote by hand.

    Raises:
        UsageError: the name does not end in one of ``suffixes``.

    """
    if file.suffix.lower() in suffixes:
        return
    raise UsageError(
        Fault(
            f"{what} is not written to a file of another kind",
            file=str(file),
            quantity="ending",
            value=file.suffix or "none",
            limit=" or ".join(suffixes),
            remedy=f"name a file that ends in {suffixes[0]}",
        )
    )


def clock(time_s: float) -> str:
    """Seconds as m:ss.s, the way scenes write them; 75.25 s is 1:15.2."""
    tenths = round(time_s * 10.0)
    minutes, rest = divmod(tenths, 600)
    return f"{minutes}:{rest // 10:02d}.{rest % 10}"


def window_deg(axis: AxisCurve) -> tuple[float, float]:
    """The angles worth showing, (low, high) in degrees.

    The whole range, unless the axis moves little in it: then where it moves and a margin, so that a
    breath of two degrees is not a flat line.
    """
    used_low = min(float(axis.asked_deg.min()), float(axis.planned_deg.min()))
    used_high = max(float(axis.asked_deg.max()), float(axis.planned_deg.max()))
    span = axis.high_deg - axis.low_deg
    used = used_high - used_low
    if 0.002 * span < used < 0.25 * span:
        margin = max(0.35 * used, 0.02 * span, 0.5)
        return used_low - margin, used_high + margin
    low, high = min(used_low, axis.low_deg), max(used_high, axis.high_deg)
    return low - 0.07 * (high - low), high + 0.07 * (high - low)


def peak_words(axis: AxisCurve) -> str:
    """How hard the axis works: the three peaks as per cent of their limits."""
    short = {"velocity": "speed", "acceleration": "accel.", "jerk": "jerk"}
    shares = [
        f"{said} {100.0 * axis.peak_share[key]:.0f} %"
        for key, said in short.items()
        if key in axis.peak_share
    ]
    return "\n".join(["uses of its limits", *(f"  {share}" for share in shares)]) if shares else ""


def span_words(axis: AxisCurve) -> str:
    """The range in the figure's words: ``left 80 .. right 80``, ``shut 0 .. open 22``."""

    def side(angle: float) -> str:
        if abs(angle) < 0.05:
            return "0"
        return f"{axis.words[angle > 0]} {abs(angle):.4g}"

    return f"{side(axis.low_deg)} to {side(axis.high_deg)}"
