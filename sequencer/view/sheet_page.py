"""The figure sheet as one page to print and hang beside the bench: nothing is fetched, no script runs."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sequencer.figure import doubt, heat, wiring
from sequencer.figure.current import draw
from sequencer.figure.drawing import drawings
from sequencer.figure.drives import servos_of
from sequencer.figure.facts import Facts, toward
from sequencer.figure.needed import LOAD_SHARE
from sequencer.figure.sheet import cautions, inventory, tight_joints, verdict
from sequencer.files import replace_file
from sequencer.view.look import require_suffix
from sequencer.view.render import part, render

#: fastest(distance, velocity, acceleration, jerk) -> seconds of the quickest move from rest to rest.
Fastest = Callable[[float, float, float, float], float]
#: The move whose time is told; an axis with a smaller range is told over its whole range.
_MOVE_RAD = math.radians(30.0)


def sheet_page(known: Facts, fastest: Fastest, file: Path) -> None:
    """Write the page: drawing, limits, torque margins, heat, supply, wiring by pin, cautions.

    Raises UsageError when the file's name does not end in .html, or it cannot be written.
    """
    require_suffix(file, (".html", ".htm"), "a page")
    figure = known.figure
    text = render(
        "sheet_page.html.j2",
        figure=figure.name,
        inventory=inventory(figure),
        css=[part(name) for name in ("page.css", "sheet.css")],
        # The drawings are our own and escape the names in them.
        drawings=drawings(figure),
        axes=[_axis(known, name, fastest) for name in figure.axes],
        third=100.0 * LOAD_SHARE,
        tight=next((joint.words() for joint in tight_joints(known)), None),
        servos=[_servo(known, name) for name in figure.servos],
        limit_c=f"{heat.LIMIT_C:g}",
        supply=_supply(known),
        wires=wiring.rows(figure),
        findings=known.findings,
        cautions=list(cautions(figure)),
    )
    replace_file(file, text.encode("utf-8"))


def _axis(known: Facts, name: str, fastest: Fastest) -> dict[str, Any]:
    figure, axis = known.figure, known.figure.axes[name]
    seen = doubt.load(figure, axis, known.physics[name])
    limit = known.limits.get(name)
    low, high = axis.range_rad
    move = min(_MOVE_RAD, high - low)
    numbers = None if limit is None else (limit.velocity_rad_s, limit.acceleration_rad_s2, limit.jerk_rad_s3)
    return {
        "name": name,
        "range": f"{toward(axis, low)} to {toward(axis, high)}",
        "home": toward(axis, axis.home_rad),
        "parked": toward(axis, axis.parked_rad),
        "verdict": verdict(known, name, seen),
        "speed": None if limit is None else f"{math.degrees(limit.velocity_rad_s):.0f}",
        "acceleration": None if limit is None else f"{math.degrees(limit.acceleration_rad_s2):.0f}",
        "jerk": None if limit is None else f"{math.degrees(limit.jerk_rad_s3):.0f}",
        "move": f"{math.degrees(move):.0f} deg in "
        + ("-" if numbers is None else f"{fastest(move, *numbers):.2f} s"),
        "gravity": _torque(seen.gravity),
        "friction": _torque(seen.friction),
        "stall": _torque(seen.stall),
        "basis": seen.share.basis,
        "share": doubt.percent(seen.share),
        "sure": _percent(seen.share.low),
        "unsure": _percent(seen.share.high),
    }


def _torque(between: doubt.Between) -> str:
    """``4 to 7, typical``, in kg cm."""
    return f"{doubt.said(doubt.kgcm(between), '')}, {between.basis}"


def _percent(share: float) -> str:
    """A share as a width of a bar."""
    return f"{100.0 * min(1.0, max(0.0, share)):.1f}"


def _servo(known: Facts, name: str) -> dict[str, Any]:
    figure, servo = known.figure, known.figure.servos[name]
    moves = [axis for axis in figure.axes if name in servos_of(figure, axis)]
    stalled = heat.time_to_s(figure, servo)
    return {
        "name": name,
        "moves": ", ".join(moves) or "nothing yet",
        "size": heat.thermal(servo).size,
        "stall_a": f"{heat.stall_current_a(figure, servo):.1f} A",
        "stalled": heat.rounded_s(stalled) if math.isfinite(stalled) else "never",
        "lasting": f"{100.0 * min(servo.continuous_share, heat.longest_share(figure, servo)):.0f} %",
    }


def _supply(known: Facts) -> list[tuple[str, str]]:
    """What to buy and what there is, as (what, value) rows."""
    figure, supply = known.figure, known.figure.supply
    amps = draw(figure, known.physics)
    rows = [
        ("supply", f"{supply.voltage_v:g} V, {supply.rating_a:g} A"),
        ("all servos stalled", f"{amps.peak_a:.1f} A"),
        ("on average, a guess", f"{amps.average_a:.1f} A"),
        (
            "fuse in the plus wire",
            "none fits: choose the supply first" if amps.fuse_a is None else f"{amps.fuse_a:g} A",
        ),
    ]
    if supply.fuse_a is not None:
        rows.append(("fuse that is fitted", f"{supply.fuse_a:g} A"))
    if supply.wire_awg is not None and supply.wire_m is not None and amps.drop_v is not None:
        rows.append((f"{supply.wire_m:g} m of AWG {supply.wire_awg}", f"loses {amps.drop_v:.2f} V at most"))
    elif amps.wire_awg is not None:
        rows.append((f"wire for {supply.wire_m:g} m", f"AWG {amps.wire_awg} or thicker"))
    rows.append(("inside the head", f"{figure.ambient_c:g} C"))
    return rows
