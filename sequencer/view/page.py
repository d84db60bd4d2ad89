"""One self-contained page: the curves, and the real player core playing the image in the browser.

Nothing is fetched: script, style, image and player are inside the file.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.check.light import FLASHES_PER_SECOND, count_flashes
from sequencer.errors import UsageError
from sequencer.files import replace_file
from sequencer.player.rows import IMAGE_ROOM, ROW
from sequencer.view import look
from sequencer.view.model import AxisCurve, SceneView
from sequencer.view.render import part, render

_SCRIPTS = ("lanes.js", "head.js", "core.js", "page.js")
#: The page draws curves this coarsely; the 1 ms grid would make it ten times as large for nothing seen.
_CURVE_S = 0.01


def scene_page(views: Sequence[SceneView], image: bytes, wasm: bytes, file: Path) -> None:
    """Write the page for these scenes of one show.

    ``image`` is the show image they were compiled to and ``wasm`` the player core as a WebAssembly
    module; both run in the browser. Raises UsageError when there is no scene, the file is not an
    ``.html`` or cannot be written.
    """
    look.require_suffix(file, (".html", ".htm"), "a page")
    if not views:
        raise UsageError("there is no scene to show; name one, or add a .scene file to the show")
    show = {
        "figure": views[0].figure,
        "scenes": [_scene(view) for view in views],
        "layout": _row_layout(),
    }
    text = render(
        "scene_page.html.j2",
        figure=views[0].figure,
        css=part("page.css"),
        scripts=[part(name) for name in _SCRIPTS],
        # `<` must not end the element that carries the data, whatever a scene is called.
        show=json.dumps(show, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c"),
        image=base64.b64encode(image).decode("ascii"),
        wasm=base64.b64encode(wasm).decode("ascii"),
    )
    replace_file(file, text.encode("utf-8"))


def _row_layout() -> dict[str, int]:
    """Where the fields of a row that the core writes stand, in bytes, for the page's script."""
    fields = ROW.fields
    assert fields is not None
    return {"size": ROW.itemsize, "image_room": IMAGE_ROOM} | {
        name: int(at[1]) for name, at in fields.items()
    }


def _scene(view: SceneView) -> dict[str, Any]:
    return {
        "name": view.scene,
        "duration_s": view.duration_s,
        "loop": view.loop,
        "frame_s": view.frame_s,
        "flashing": _flashing(view),
        "axes": [_axis(axis, view.duration_s) for axis in view.axes],
        "lamps": [
            {"name": lamp.name, "lightness": _packed(np.rint(2.0 * lamp.lightness_percent), "u1")}
            for lamp in view.lamps
        ],
        "switches": [{"name": switch.name, "on_s": switch.on_s} for switch in view.switches],
        "tracks": [
            {
                "name": track.name,
                "axis": track.axis,
                "zero_us": track.zero_us,
                "us_per_deg": track.us_per_deg,
            }
            for track in view.tracks
        ],
        "tables": [
            {
                "tracks": table.tracks,
                "axes": table.axes,
                "low_us": table.low_us,
                "high_us": table.high_us,
                "count": table.angle_deg.shape[1],
                "angle_deg": [np.round(angles.ravel(), 3).tolist() for angles in table.angle_deg],
            }
            for table in view.tables
        ],
        "findings": [
            {
                "number": number,
                "severity": finding.severity,
                "channel": finding.channel,
                "time_s": finding.time_s,
                "message": look.sentence(finding.message),
                "remedy": look.sentence(finding.remedy) if finding.remedy else None,
            }
            for number, finding in look.numbered(view)
        ],
    }


def _axis(axis: AxisCurve, duration_s: float) -> dict[str, Any]:
    count = max(2, round(duration_s / _CURVE_S) + 1)
    grid = np.linspace(0.0, 1.0, count)
    curves = {
        "asked": np.interp(grid, np.linspace(0.0, 1.0, len(axis.asked_deg)), axis.asked_deg),
        "planned": np.interp(grid, np.linspace(0.0, 1.0, len(axis.planned_deg)), axis.planned_deg),
    }
    widest = max(float(np.abs(curve).max()) for curve in curves.values())
    step_deg = max(widest / 32000.0, 0.001)
    return {
        "name": axis.name,
        "words": axis.words,
        "low_deg": axis.low_deg,
        "high_deg": axis.high_deg,
        "window_deg": look.window_deg(axis),
        "step_deg": step_deg,
        "every_s": duration_s / (count - 1),
        **{key: _packed(np.rint(curve / step_deg), "<i2") for key, curve in curves.items()},
        "peaks": [
            f"{100.0 * axis.peak_share[key]:.0f} %" if key in axis.peak_share else "-"
            for key in ("velocity", "acceleration", "jerk")
        ],
        "rms_error_deg": axis.rms_error_deg,
        "range": look.span_words(axis),
        "ends": [
            f"{word} {abs(edge):.4g}"
            for word, edge in zip(axis.words, (axis.low_deg, axis.high_deg), strict=True)
        ],
    }


def _packed(values: NDArray[np.float64], kind: str) -> str:
    """Whole numbers as base64 of ``kind``, clipped to what it holds."""
    held = np.iinfo(kind)
    return base64.b64encode(np.clip(values, held.min, held.max).astype(kind).tobytes()).decode("ascii")


def _flashing(view: SceneView) -> str | None:
    """What to warn of before the lamps are shown flashing, or None.

    Counted as WCAG 2.x SC 2.3.1 counts; the warning comes from two flashes within a second on,
    below the criterion's limit, because the page may be watched close and large.
    """
    if not view.lamps:
        return None
    count = max(len(lamp.lightness_percent) for lamp in view.lamps)
    light = np.zeros((count, len(view.lamps)))
    for column, lamp in enumerate(view.lamps):
        light[: len(lamp.lightness_percent), column] = _luminance(lamp.lightness_percent)
    worst = count_flashes(light, view.frame_s)
    if worst.worst_count < 2:
        return None
    limit = FLASHES_PER_SECOND
    if worst.worst_count > limit:
        against = f"above the usual limit of {limit}, not for everyone"
    else:
        place = "below" if worst.worst_count < limit else "just within"
        against = (
            f"{place} the usual limit of {limit}, so `check` lets it pass; "
            "still, a page watched close and large can be too much for some"
        )
    return (
        f"In this scene the lamps flash up to {worst.worst_count} times within a second, "
        f"from {look.clock(worst.from_s)} on: {against}."
    )


def _luminance(lightness_percent: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE L* to relative luminance (CIE 15): Y = L/903.3 up to 8, ((L+16)/116)^3 above."""
    low = lightness_percent / 903.3
    return np.where(lightness_percent <= 8.0, low, ((lightness_percent + 16.0) / 116.0) ** 3)
