"""Clearances in what is played between scenes: transitions, stops, and the way to rest.

The poses that a clearance allows are no convex set, so a fade between two allowed poses may pass through one
that is not. Every transition that the player can make is looked at as the compiled core plays it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.check.between import MOST_FRAMES, TAIL_FRAMES, Crossing, Job, jobs, shared_out
from sequencer.check.gaps import TOLERANCE_RAD, broken, worst_at
from sequencer.check.report import SceneReport
from sequencer.figure.facts import toward
from sequencer.figure.linkage import Linkage, linkage_of
from sequencer.figure.model import Clearance, Figure
from sequencer.finding import Finding
from sequencer.motion.model import TrackSpec
from sequencer.motion.spline import basis
from sequencer.tables.image import build_image
from sequencer.tables.model import SceneRecord, ShowImage, Transition

Array = NDArray[np.float64]
#: Between two frames an axis is not expected to bulge out by more than this, radians.
_BULGE_RAD = math.radians(0.5)
#: Frames that come near are looked at this often, and so many of them at once, the nearest first.
_PARTS, _AT_ONCE = 20, 400


@dataclass(frozen=True)
class Broken:
    """The worst moment of a crossing: row and frame of it, time after its beginning, both angles (rad)."""

    crossing: Crossing
    begins_frame: int
    after_s: float
    channel_rad: float
    when_rad: float


class _Axes:
    """Axis angles from windows of control points, one axis at a time."""

    def __init__(self, figure: Figure, specs: Mapping[str, TrackSpec]) -> None:
        self.figure = figure
        self.specs = list(specs.values())
        self.by_servo = {spec.servo: place for place, spec in enumerate(self.specs)}

    def linkage(self, axis: str) -> Linkage:
        """What moves an axis."""
        return linkage_of(self.figure, axis)

    def angle(self, axis: str, window: NDArray[np.int16], phase: NDArray[np.int64], part: float) -> Array:
        """Angle (n,) for windows (n, tracks, 4), ``part`` of a frame after frames of ``phase`` (n,)."""
        linkage = self.linkage(axis)
        angles = []
        for servo in linkage.servos:
            spec = self.specs[self.by_servo[servo]]
            weights = basis((phase % spec.knot_frames + part) / spec.knot_frames)
            value = np.einsum("nj,nj->n", window[:, self.by_servo[servo]].astype(np.float64), weights)
            angles.append((value - spec.value_zero) / spec.value_per_rad)
        served = np.stack(angles, axis=1)
        home = np.array([self.figure.axes[name].home_rad for name in linkage.axes])
        found = linkage.axis_rad(served, np.broadcast_to(home, served.shape))
        return np.asarray(found[:, linkage.axes.index(axis)], np.float64)


def worst(axes: _Axes, clearance: Clearance, crossing: Crossing, frame_s: float) -> Broken | None:
    """Where a crossing breaks a clearance most, looked at every millisecond; None: nowhere."""
    count, frames = crossing.window.shape[:2]
    window = crossing.window.reshape(count * frames, *crossing.window.shape[2:])
    phase = np.tile(crossing.phase, count)

    def over(rows: NDArray[np.int64], part: float) -> Array:
        """How far the channel is out of what it must keep to, with or without the condition."""
        angle = axes.angle(clearance.channel, window[rows], phase[rows], part)
        return np.asarray(-clearance.keep_side * (angle - clearance.keep_rad), np.float64)

    def held(rows: NDArray[np.int64], part: float) -> Array:
        """How far the other is beyond the condition's angle."""
        angle = axes.angle(clearance.when, window[rows], phase[rows], part)
        return np.asarray(clearance.when_side * (angle - clearance.when_rad), np.float64)

    sides: list[tuple[Callable[[NDArray[np.int64], float], Array], float]] = [
        (over, TOLERANCE_RAD),
        (held, 0.0),
    ]
    if len(axes.linkage(clearance.channel).axes) > 1:
        sides.reverse()  # closing a pair costs most: what is cheaper goes first, and spares frames
    rows = np.arange(count * frames)
    for side, bound in sides:
        first, last = side(rows, 0.0), side(rows, 1.0)
        slack = max(_BULGE_RAD, float(np.abs(last - first).max(initial=0.0)))
        rows = rows[np.maximum(first, last) > bound - slack]
        if rows.size == 0:
            return None
    reach = np.maximum(over(rows, 0.0), over(rows, 1.0)) + _BULGE_RAD
    order = np.argsort(-reach)
    rows, reach = rows[order], reach[order]
    best, found = TOLERANCE_RAD, None
    for at in range(0, rows.size, _AT_ONCE):
        if reach[at] <= best:
            break
        some = rows[at : at + _AT_ONCE]
        parts = np.arange(_PARTS) / _PARTS
        out = np.stack([np.where(held(some, part) > 0.0, over(some, part), -np.inf) for part in parts])
        part, place = divmod(int(out.argmax()), out.shape[1])
        if out[part, place] > best:
            best = float(out[part, place])
            found = int(some[place]), float(parts[part])
    if found is None:
        return None
    row, share = found
    one = np.array([row])
    return Broken(
        crossing=crossing,
        begins_frame=int(crossing.begins[row // frames]),
        after_s=(row % frames + share) * frame_s,
        channel_rad=float(axes.angle(clearance.channel, window[one], phase[one], share)[0]),
        when_rad=float(axes.angle(clearance.when, window[one], phase[one], share)[0]),
    )


def findings(
    figure: Figure,
    specs: Mapping[str, TrackSpec],
    show: ShowImage,
    image: bytes,
    scenes: Mapping[str, SceneReport],
    most_frames: int = MOST_FRAMES,
) -> Iterator[Finding]:
    """An error per clearance and kind of transition that breaks it, at its worst; a note on the rest.

    ``scenes`` are the reports: of a scene that breaks a clearance by itself nothing more is said.

    Raises:
        ImageError: the core refuses the image.
    """
    if not figure.clearances:
        return
    axes, frame_s = _Axes(figure, specs), show.frame_us * 1e-6
    told = {
        (clearance.name, name)
        for clearance in figure.clearances.values()
        for name, scene in scenes.items()
        if worst_at(clearance, scene) is not None
    }
    taken, left_out = shared_out(jobs(show, image), most_frames)
    for job in taken:
        for crossing in job.play():
            for clearance in figure.clearances.values():
                if {(clearance.name, crossing.left), (clearance.name, crossing.entered)} & told:
                    continue
                found = worst(axes, clearance, crossing, frame_s)
                if found is not None:
                    if crossing.kind == "stop":
                        told.add((clearance.name, crossing.left or ""))  # nor of its way back to rest
                    yield _finding(axes, show, clearance, found, frame_s)
    if left_out:
        yield _not_looked_at(left_out, most_frames)


def _finding(axes: _Axes, show: ShowImage, clearance: Clearance, found: Broken, frame_s: float) -> Finding:
    crossing, begins_s = found.crossing, found.begins_frame * frame_s
    scene = crossing.left or crossing.entered
    return Finding(
        code="gap",
        severity="error",
        scene=scene,
        channel=clearance.channel,
        time_s=None if scene is None else round(begins_s, 3),
        value=math.degrees(found.channel_rad),
        limit=math.degrees(clearance.keep_rad),
        unit="deg",
        message=f"{_where(crossing, begins_s)} {found.after_s:.2f} s later "
        f"{broken(axes.figure, clearance, found.channel_rad, found.when_rad)}",
        remedy=_remedy(axes, show, clearance, crossing, frame_s),
    )


def _where(crossing: Crossing, begins_s: float) -> str:
    if crossing.kind == "leave":
        return (
            f"between `{crossing.left}` and {_scene(crossing.entered)}, left at {begins_s:.2f} s of the loop:"
        )
    if crossing.kind == "enter":
        return f"from rest into `{crossing.entered}`:"
    if crossing.kind == "stop":
        return f"stopped at {begins_s:.2f} s of `{crossing.left}`:"
    if crossing.kind == "return":
        return f"on the way back to rest from a stop at {begins_s:.2f} s of `{crossing.left}`:"
    return "from where the figure is parked to rest:"


def _scene(name: str | None) -> str:
    return "rest" if name is None else f"`{name}`"


def _seconds(frames: int, frame_s: float) -> str:
    """At least so many frames, in tenths of a second."""
    return f"{math.ceil(round(frames * frame_s * 10.0, 6)) / 10.0:.1f} s"


def _remedy(axes: _Axes, show: ShowImage, clearance: Clearance, crossing: Crossing, frame_s: float) -> str:
    """What clears it, as long as home is on the allowed side of both angles.

    A fade alone leads each axis straight home, and a stop leaves each axis within what the scene would have
    made of it during the stop (second mean value theorem: the velocity's weight only falls).
    """
    channel, when = axes.figure.axes[clearance.channel], axes.figure.axes[clearance.when]
    keep = f"{toward(channel, clearance.keep_rad)}"
    keeps = f"keep {clearance.channel} to {keep} {'at most' if clearance.keep_side < 0 else 'at least'}"
    if crossing.kind == "settle":
        return f"let a stop park the figure where the clearance is kept, or {keeps} when it is parked"
    if crossing.kind == "return":
        return f"{keeps} all through `{crossing.left}`"
    if crossing.kind == "stop":
        wait = _seconds(show.stop_frames + TAIL_FRAMES, frame_s)
        return (
            f"in `{crossing.left}` leave {wait} between {clearance.channel} being back at {keep} and "
            f"{clearance.when} passing {toward(when, clearance.when_rad)}, either way round"
        )
    if crossing.kind == "leave":
        assert crossing.left is not None
        fade = _fade_alone(show, crossing.left)
        if crossing.entered is None or not _clear_alone(axes, show, clearance, crossing.left, fade):
            return f"{keeps} all through `{crossing.left}`"
    else:
        fade = next(scene.fade_in_frames for scene in show.scenes if scene.name == crossing.entered)
    wait = _seconds(fade + TAIL_FRAMES, frame_s)
    return f"let nothing move in the first {wait} of `{crossing.entered}`: write its cues that much later"


def _fade_alone(show: ShowImage, loop: str) -> int:
    """The frames in which a loop fades when nothing else moves."""
    row = [scene.name for scene in show.loops].index(loop)
    return show.transitions[row][-1].fade_frames


def _clear_alone(axes: _Axes, show: ShowImage, clearance: Clearance, loop: str, fade: int) -> bool:
    """Whether a loop keeps the clearance when it fades to rest beneath a scene in which nothing moves."""
    name = "\0still"
    still = SceneRecord(
        *(name, 2 * (fade + TAIL_FRAMES), False, 0),
        *((None,) * len(show.tracks), (None,) * len(show.lamps), (None,) * len(show.switches)),
    )
    rows = tuple((*row[:-1], Transition(fade, 0), row[-1]) for row in show.transitions)
    beneath = replace(show, scenes=(*show.scenes, still), transitions=rows)
    what = f"from `{loop}` into `{name}`"
    (job,) = (job for job in jobs(beneath, build_image(beneath)) if job.what == what)
    frame_s = show.frame_us * 1e-6
    return all(worst(axes, clearance, crossing, frame_s) is None for crossing in job.play())


def _not_looked_at(left_out: Sequence[Job], most_frames: int) -> Finding:
    """Which transitions nobody looked at, and how to have them looked at."""
    named = sorted({job.scene for job in left_out if job.scene is not None and job.frames <= most_frames})
    remedy = (
        f"name fewer scenes: quarterjack check SHOW {named[0]}"
        if named
        else "make the scenes that they leave shorter"
    )
    return Finding(
        code="gap",
        severity="note",
        scene=None,
        channel=None,
        time_s=None,
        value=float(sum(job.frames for job in left_out)),
        limit=float(most_frames),
        unit="frames",
        message="clearances were not looked at in these transitions, which are too many to play each time: "
        + "; ".join(job.what for job in left_out),
        remedy=remedy,
    )
