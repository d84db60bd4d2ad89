"""A small show from plain arrays: a real image, and the pictures' curves of the same numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sequencer.tables.image import build_image
from sequencer.tables.model import (
    InputRecord,
    LampRecord,
    SceneRecord,
    ShowImage,
    SwitchRecord,
    TrackRecord,
    Transition,
)
from sequencer.tables.rice import encode_track
from sequencer.tables.streams import encode_lamp, encode_switch
from sequencer.timeline.model import LampStep, SwitchStep
from sequencer.view.model import AxisCurve, LampCurve, SceneView, SwitchCurve, TrackLink

Curve = NDArray[np.float64]
FRAME_US = 20_000

#: name, words, range in degrees, pulse at zero, us per degree, knot frames, pin
AXES = (
    ("turn", ("right", "left"), (-80.0, 80.0), 1500, 8.0, 6, 7),
    ("nod", ("up", "down"), (-20.0, float(np.degrees(np.radians(25.0))) - 4e-15), 1480, -10.0, 3, 8),
    ("jaw", ("shut", "open"), (0.0, 22.0), 1200, 9.0, 1, 10),
)


def ease(times: Curve, at_s: float, over_s: float) -> Curve:
    """0 before, 1 after, a 3-4-5 polynomial between."""
    x = np.clip((times - at_s) / over_s, 0.0, 1.0)
    return np.asarray(x**3 * (10.0 - 15.0 * x + 6.0 * x**2))


def _wishes(scene: str, times: Curve, duration_s: float) -> dict[str, Curve]:
    if scene == "idle":
        turns = 2 * np.pi * times / duration_s
        return {
            "turn": 12 * np.sin(turns) + 5 * np.sin(2 * turns),
            "nod": 2 * np.sin(3 * turns),
            "jaw": 0 * times,
        }
    back = duration_s - 2.0
    talk = ease(times, 1.5, 0.3) * (1 - ease(times, back - 0.5, 0.3))
    return {
        "turn": 35 * ease(times, 0.5, 0.7)
        - 65 * ease(times, 0.45 * duration_s, 0.8)
        + 30 * ease(times, back, 1.2),
        "nod": -9 * ease(times, 0.8, 0.6) + 9 * ease(times, back, 1.0),
        "jaw": 8 * talk * (1 - np.cos(2 * np.pi * 4.3 * times)) * (0.7 + 0.3 * np.sin(1.7 * times)),
    }


def _spline(points: Curve, loop: bool, spans: int, at: Curve) -> Curve:
    """The uniform cubic B-spline of these control points at ``at``, counted in knots."""
    span = np.minimum(at.astype(int), spans - 1)
    t = at - span
    weights = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
    ring = np.concatenate([points, points[:3]]) if loop else points
    return np.asarray(sum(w * ring[span + i] for i, w in enumerate(weights)) / 6)


def keeper(
    scenes: tuple[tuple[str, int, bool], ...] = (
        ("idle", 600, True),
        ("greet", 450, False),
        ("storm", 900, False),
    ),
) -> tuple[bytes, tuple[SceneView, ...]]:
    """(image, views) of a figure with three tracks, two lamps and a bell; scenes as (name, frames, loop)."""
    records, views = [], []
    for name, frames, loop in scenes:
        duration_s = frames * FRAME_US * 1e-6
        times = np.arange(round(duration_s * 1000) + 1) / 1000
        streams, curves = [], []
        for (axis, words, reach, _, us_per_deg, knot, _), wish in zip(
            AXES, _wishes(name, times, duration_s).values(), strict=True
        ):
            spans = frames // knot
            knots = np.arange(spans if loop else spans + 3) - 1.0
            wished = np.interp((knots * knot * FRAME_US * 1e-6) % duration_s, times, wish)
            points = np.rint(wished * us_per_deg * 4)
            if not loop:
                points[:3] = points[-3:] = 0
            streams.append(encode_track(points.astype(np.int64), 0, loop))
            planned = _spline(points, loop, spans, times / (knot * FRAME_US * 1e-6)) / (4 * us_per_deg)
            rms = float(np.sqrt(np.mean((planned - wish) ** 2)))
            shares = {"velocity": 0.82, "acceleration": 0.85, "jerk": 0.61}
            curves.append(AxisCurve(axis, words, wish, planned, *reach, shares, rms))
        flicker = "gutter" if loop else "failing"
        steps = (
            LampStep(0.0, "ramp", 0.6, 1.5),
            LampStep(2.0, "flicker", 0.0, 3.0, flicker, 0.1 if loop else 0.5, 7),
            LampStep(duration_s - 1.5, "ramp", 0.3, 1.0),
        )
        bell = () if loop else (SwitchStep(2.0, True), SwitchStep(2.1, False))
        records.append(
            SceneRecord(
                name=name,
                frames=frames,
                loop=loop,
                fade_in_frames=60,
                tracks=tuple(streams),
                lamps=(encode_lamp(steps, frames, FRAME_US), encode_lamp(steps[:1], frames, FRAME_US)),
                switches=(encode_switch(bell, frames, FRAME_US, 0.0, "bell")[0],),
            )
        )
        light = np.interp(
            np.arange(frames) * 0.02, [0, 1.5, duration_s - 1.5, duration_s - 0.5], [30, 60, 60, 30]
        )
        shaken = light.copy()
        if not loop:
            shaken[100:250] -= np.where(np.arange(150) % 20 < 4, 50.0, 0.0)
        views.append(
            SceneView(
                figure="Lantern Keeper",
                scene=name,
                duration_s=duration_s,
                loop=loop,
                axes=tuple(curves),
                lamps=(LampCurve("left_eye", shaken), LampCurve("right_eye", np.minimum(light, 60))),
                switches=(SwitchCurve("bell", () if loop else ((2.0, 2.1),)),),
                findings=(),
                tracks=tuple(TrackLink(axis, axis, zero, slope) for axis, _, _, zero, slope, _, _ in AXES),
            )
        )
    image = ShowImage(
        figure="Lantern Keeper",
        board="uno",
        frame_us=FRAME_US,
        settle_frames=60,
        stop_frames=30,
        stagger_frames=10,
        boot_frames=25,
        tracks=tuple(
            TrackRecord(
                name=axis,
                pin=pin,
                knot_frames=knot,
                lsb_exponent=2,
                origin_us=zero_us,
                rest=0,
                parked=40 if axis == "nod" else 0,
                low=-4000,
                high=4000,
                bounds=(2000, 2000, 2000),
                ends_us=(600, 2400),
            )
            for axis, _, _, zero_us, _, knot, pin in AXES
        ),
        lamps=(LampRecord("left_eye", 5, False, 60), LampRecord("right_eye", 6, False, 60)),
        switches=(SwitchRecord("bell", 12, False, 25),),
        inputs=(InputRecord("beam", 2, True, True, 3, 500, None, 0, None),),
        scenes=tuple(records),
        idle=next((name for name, _, loop in scenes if loop), None),
        transitions=tuple(
            tuple(Transition(60, 0) for _ in range(len(scenes) + 1)) for _, _, loop in scenes if loop
        ),
    )
    return build_image(image), tuple(views)


MakeShow = Callable[..., tuple[bytes, tuple[SceneView, ...]]]
