"""A checked show as the curves and tables that a picture or the page is made from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.linkage import Linkage, linkage_of
from sequencer.motion.tracks import is_direct
from sequencer.show import CheckedShow, PlannedShow
from sequencer.view.model import AxisCurve, LampCurve, LinkTable, SceneView, SwitchCurve, TrackLink


def scene_views(checked: CheckedShow) -> list[SceneView]:
    """Every scene as curves for a picture or the page."""
    built, planned = checked.built, checked.built.planned
    frame_s = built.contents.frame_us * 1e-6
    links = tuple(
        TrackLink(
            spec.name,
            spec.axis,
            spec.origin_us + spec.value_zero * spec.lsb_us,
            float(np.radians(spec.value_per_rad * spec.lsb_us)),
        )
        for spec in planned.specs.values()
        if spec.group is None and is_direct(built.figure, linkage_of(built.figure, spec.axis))
    )
    tables = tuple(_link_table(planned, link) for link in planned.tracks.behind)
    views = []
    for name, scene in checked.report.scenes.items():
        played = checked.played[name]
        curves = []
        for axis in built.figure.axes.values():
            report = scene.axes[axis.name]
            moved = np.degrees(report.played_rad)
            wish = planned.timelines[name].axes.get(axis.name)
            asked = (
                np.full_like(moved, np.degrees(axis.home_rad)) if wish is None else np.degrees(wish.asked_rad)
            )
            low, high = np.degrees(axis.range_rad)
            curves.append(
                AxisCurve(
                    *(axis.name, axis.words, asked, moved, float(low), float(high)),
                    *(report.shares(), float(np.degrees(report.rms_error_rad))),
                )
            )
        views.append(
            SceneView(
                figure=built.figure.name,
                scene=name,
                duration_s=scene.duration_s,
                loop=scene.loop,
                axes=tuple(curves),
                lamps=tuple(
                    LampCurve(lamp.name, played.lamp_lightness[:, index] * 100.0)
                    for index, lamp in enumerate(built.contents.lamps)
                ),
                switches=tuple(
                    SwitchCurve(switch.name, _on_spans(played.switch_on[:, index], frame_s))
                    for index, switch in enumerate(built.contents.switches)
                ),
                findings=tuple(item for item in checked.report.findings if item.scene == name),
                frame_s=frame_s,
                tracks=links,
                tables=tables,
            )
        )
    return views


#: Pulses a side of the page's table of a linkage; bilinear between them errs by about 0.01 degree.
_TABLE_POINTS = 33


def _link_table(planned: PlannedShow, link: Linkage) -> LinkTable:
    """What the page needs to read the pulses of a linkage as angles."""
    figure = planned.show.figure
    specs = [next(spec for spec in planned.specs.values() if spec.servo == servo) for servo in link.servos]
    low = np.array([spec.low for spec in specs])
    high = np.array([spec.high for spec in specs])
    steps = np.linspace(low, high, _TABLE_POINTS)
    values = np.stack(np.meshgrid(*steps.T, indexing="ij"), axis=-1).reshape(-1, len(specs))
    servo_rad = (values - [spec.value_zero for spec in specs]) / [spec.value_per_rad for spec in specs]
    home = np.array([figure.axes[axis].home_rad for axis in link.axes])
    angles = link.axis_rad(servo_rad, np.broadcast_to(home, servo_rad.shape))
    # Corners of the box that the linkage cannot reach are never played.
    angles = np.where(np.isfinite(angles), angles, home)
    lsb_us, origin_us = (
        np.array([spec.lsb_us for spec in specs]),
        np.array([spec.origin_us for spec in specs]),
    )
    return LinkTable(
        tracks=tuple(spec.name for spec in specs),
        axes=link.axes,
        low_us=tuple((origin_us + low * lsb_us).tolist()),
        high_us=tuple((origin_us + high * lsb_us).tolist()),
        angle_deg=np.degrees(angles.T).reshape(len(link.axes), *(_TABLE_POINTS,) * len(specs)),
    )


def _on_spans(on: NDArray[np.bool_], frame_s: float) -> tuple[tuple[float, float], ...]:
    """When a switch is on, as (from, to) seconds; ``on`` has a value a frame."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    return tuple(
        (float(a * frame_s), float(b * frame_s)) for a, b in zip(edges[::2], edges[1::2], strict=True)
    )
