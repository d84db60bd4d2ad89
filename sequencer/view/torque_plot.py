"""A still picture of what each servo has to give over a scene, against the band of what it can give.

The drawing library is imported when a picture is made, never before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.check.loads import SceneLoads, ServoLoad
from sequencer.errors import UsageError
from sequencer.files import replace_file
from sequencer.units import kgcm_from_n_m
from sequencer.view import look

_LANE_IN, _GAP_IN, _HEAD_IN, _FOOT_IN, _LEGEND_IN = 1.35, 0.16, 0.62, 0.55, 0.45
_LEFT_IN, _PLOT_IN, _RIGHT_IN = 1.65, 8.2, 1.75
_DPI = 110


def torque_png(figure: str, loads: Sequence[SceneLoads], continuous: Mapping[str, float], file: Path) -> None:
    """Draw the scenes below each other, a lane a servo: torque in kg cm over seconds.

    ``figure`` is its name, ``continuous`` maps servos to the share of stall that they hold for long.
    Where the needed torque leaves the band it is marked. Raises UsageError when there is nothing to
    draw, the file's name does not end in .png, or it cannot be written.
    """
    look.require_suffix(file, (".png",), "a picture")
    drawn = [scene for scene in loads if scene.servos]
    if not drawn:
        raise UsageError("there is no servo to draw; name a scene of a figure that has axes")
    replace_file(file, _render(figure, drawn, continuous))


def band_n_m(load: ServoLoad) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The torque-speed line toward both sides over the scene, (lower, upper), N m.

    Toward the side of the motion the line falls with the speed; against it stall torque brakes.
    """
    share = load.speed_rad_s / load.no_load_rad_s
    upper = load.stall_n_m * np.clip(1.0 - np.maximum(share, 0.0), 0.0, 1.0)
    lower = -load.stall_n_m * np.clip(1.0 - np.maximum(-share, 0.0), 0.0, 1.0)
    return lower, upper


def _render(figure: str, loads: Sequence[SceneLoads], continuous: Mapping[str, float]) -> bytes:
    import io

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Canvas

    blocks = [_HEAD_IN + len(scene.servos) * (_LANE_IN + _GAP_IN) + _FOOT_IN for scene in loads]
    width, height = _LEFT_IN + _PLOT_IN + _RIGHT_IN, _LEGEND_IN + sum(blocks)
    canvas = Canvas(figsize=(width, height), dpi=_DPI, facecolor=look.PAPER)
    FigureCanvasAgg(canvas)
    _legend(canvas, width, height)
    top = height - _LEGEND_IN
    for scene, tall in zip(loads, blocks, strict=True):
        kind = "loop" if scene.loop else "scene"
        _text(canvas, _LEFT_IN, top - 0.26, f"{figure}: {scene.scene}", size=14, weight="bold")
        _text(
            canvas,
            _LEFT_IN,
            top - 0.46,
            f"torque at the servos, {kind} of {scene.duration_s:.2f} s",
            size=9.5,
        )
        y = top - _HEAD_IN
        lanes = []
        for load in scene.servos.values():
            y -= _LANE_IN
            box = (_LEFT_IN / width, y / height, _PLOT_IN / width, _LANE_IN / height)
            lanes.append(canvas.add_axes(box, facecolor="white"))
            _lane(canvas, lanes[-1], load, continuous.get(load.servo))
            lanes[-1].set_xlim(0.0, scene.duration_s)
            y -= _GAP_IN
        for lane in lanes[:-1]:
            lane.tick_params(labelbottom=False)
        lanes[-1].set_xlabel("seconds", fontsize=9, color=look.FAINT)
        top -= tall
    out = io.BytesIO()
    canvas.savefig(out, format="png", dpi=_DPI, facecolor=look.PAPER)
    return out.getvalue()


def _text(canvas: Any, x_in: float, y_in: float, said: str, size: float, weight: str = "normal") -> None:
    width, height = canvas.get_size_inches()
    style = {"fontsize": size, "fontweight": weight, "color": look.INK, "va": "baseline"}
    canvas.text(x_in / width, y_in / height, said, parse_math=False, **style)


def _lane(canvas: Any, lane: Any, load: ServoLoad, continuous: float | None) -> None:
    lower, upper = (kgcm_from_n_m(1.0) * side for side in band_n_m(load))
    needed = kgcm_from_n_m(1.0) * load.torque_n_m
    stall = kgcm_from_n_m(load.stall_n_m)
    lane.fill_between(load.time_s, lower, upper, color=look.WISH, alpha=0.35, lw=0)
    lane.plot(load.time_s, upper, color=look.WISH, lw=0.9)
    lane.plot(load.time_s, lower, color=look.WISH, lw=0.9)
    if continuous is not None:
        for side in (-1.0, 1.0):
            lane.axhline(side * continuous * stall, color=look.FAINT, lw=0.8, ls=(0, (4, 3)))
    lane.axhline(0.0, color=look.RULE, lw=0.8)
    lane.plot(load.time_s, needed, color=look.PLAN, lw=1.3)
    over = (needed > upper) | (needed < lower)
    if over.any():
        lane.plot(
            *(load.time_s[over], needed[over]), color=look.FINDING, marker="v", ms=4, ls="", clip_on=False
        )
    reach = 1.08 * max(stall, float(np.abs(needed).max()))
    lane.set_ylim(-reach, reach)
    for edge in ("top", "right"):
        lane.spines[edge].set_visible(False)
    for edge in ("left", "bottom"):
        lane.spines[edge].set_color(look.RULE)
    lane.tick_params(colors=look.FAINT, labelsize=8, length=3)
    lane.grid(axis="x", color=look.RULE, lw=0.6)
    lane.set_axisbelow(True)
    _beside(canvas, lane, load, continuous)


def _beside(canvas: Any, lane: Any, load: ServoLoad, continuous: float | None) -> None:
    """The servo's name at the left, how hard it works at the right."""
    width, height = canvas.get_size_inches()
    box = lane.get_position()
    middle, up = (box.y0 + box.y1) / 2, 0.085 / height
    name = load.servo if len(load.servo) <= 14 else load.servo[:13] + "\u2026"
    style = {"va": "center", "parse_math": False}
    canvas.text(0.15 / width, middle + up, name, fontsize=10, fontweight="bold", color=look.INK, **style)
    canvas.text(0.15 / width, middle - up, "kg cm", fontsize=8, color=look.FAINT, **style)
    worst = float((np.abs(load.torque_n_m) / np.maximum(load.available_n_m, 1e-9)).max())
    said = [f"worst {100.0 * worst:.0f} % of", "what it has", f"rms {100.0 * load.rms_share:.0f} % of stall"]
    if continuous is not None:
        said.append(f"({100.0 * continuous:.0f} % for long)")
    x = (_LEFT_IN + _PLOT_IN + 0.12) / width
    canvas.text(x, middle, "\n".join(said), fontsize=8.5, color=look.INK, linespacing=1.35, **style)


def _legend(canvas: Any, width: float, height: float) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles = [
        Line2D([], [], color=look.PLAN, lw=1.5, label="needed"),
        Patch(facecolor=look.WISH, alpha=0.45, lw=0, label="what the servo has at that speed"),
        Line2D([], [], color=look.FAINT, lw=0.9, ls=(0, (4, 3)), label="holds for long"),
        Line2D([], [], color=look.FINDING, marker="v", ls="", ms=6, label="more than it has"),
    ]
    canvas.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=(_LEFT_IN / width - 0.005, 1 - 0.08 / height),
        ncols=len(handles),
        frameon=False,
        fontsize=9,
        labelcolor=look.INK,
        columnspacing=1.6,
        borderaxespad=0,
        borderpad=0.2,
    )
