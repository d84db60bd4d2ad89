"""The report of `check`: for each scene and channel what is played, against which limit, at which cost."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from sequencer.check.axes import linked_motion
from sequencer.check.played import PlayedScene
from sequencer.check.work import EveningWork, SceneWork
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Limits
from sequencer.finding import Finding, has_errors
from sequencer.kept import Kept, Same
from sequencer.motion.model import TrackSpec
from sequencer.motion.peak import Peak, on_grid, peak
from sequencer.tables.model import ShowImage
from sequencer.tables.room import Room

#: The three quantities of a motion with the names they have in ``--json``.
QUANTITIES = (
    ("velocity", "velocity_deg_s"),
    ("acceleration", "acceleration_deg_s2"),
    ("jerk", "jerk_deg_s3"),
)


@dataclass(frozen=True)
class AxisFacts:
    """What the report needs of an axis: home and the bound that it never exceeds."""

    home_rad: float
    limit: Limits


@dataclass(frozen=True)
class MovedAxes:
    """Tracks and the axes that they move together, both in their linkage's order.

    ``linkage`` is None for a direct drive, whose track's angle is the axis's and the servo's ``ratio``
    times as much; behind a linkage a track's angle is the servo's, and ``ratio`` is 1.
    """

    tracks: tuple[str, ...]
    axes: Mapping[str, AxisFacts]
    track_limits: tuple[Limits, ...]
    ratio: float
    linkage: Linkage | None


class Reached(Protocol):
    """The largest absolute derivatives of a curve."""

    @property
    def velocity_rad_s(self) -> float: ...  # noqa: D102 - the name says it
    @property
    def acceleration_rad_s2(self) -> float: ...  # noqa: D102
    @property
    def jerk_rad_s3(self) -> float: ...  # noqa: D102


@dataclass(frozen=True)
class AxisReport:
    """One axis in one scene, SI units; the errors are against the wish as authored.

    ``limit`` is what the axis never exceeds while its servos keep theirs. ``played_rad`` is its angle on
    the 1 ms grid, both ends included.
    """

    axis: str
    bytes_per_s: float
    peak: Reached
    limit: Limits
    rms_error_rad: float
    max_error_rad: float
    knot_s: float
    played_rad: NDArray[np.float64]

    def shares(self) -> dict[str, float]:
        """Each quantity's peak as a share of its limit."""
        return {
            "velocity": self.peak.velocity_rad_s / self.limit.velocity_rad_s,
            "acceleration": self.peak.acceleration_rad_s2 / self.limit.acceleration_rad_s2,
            "jerk": self.peak.jerk_rad_s3 / self.limit.jerk_rad_s3,
        }


@dataclass(frozen=True)
class ServoReport:
    """One servo's track in one scene; its ratio turns radians of the track into those of the servo."""

    servo: str
    track: str
    ratio: float
    peak: Peak
    limit: Limits


@dataclass(frozen=True)
class SceneReport:
    """One scene: ``other_bytes_per_s`` holds lamps and switches by (name, kind), ``work`` the loads."""

    scene: str
    duration_s: float
    loop: bool
    table_bytes: int
    axes: Mapping[str, AxisReport]
    servos: Mapping[str, ServoReport]
    other_bytes_per_s: Mapping[tuple[str, str], float]
    work: SceneWork | None = None


@dataclass(frozen=True)
class CheckReport:
    """What `check` knows; ``evening`` is each servo's work over the busiest evening that triggers allow."""

    show: str
    scenes: Mapping[str, SceneReport]
    room: Room
    findings: tuple[Finding, ...]
    evening: Mapping[str, EveningWork] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """Whether nothing is an error."""
        return not has_errors(self.findings)

    def as_json(self) -> dict[str, Any]:
        """The contract of ``check --json``, schema 1."""
        return {
            "schema": 1,
            "ok": self.ok,
            "show": self.show,
            "scenes": {name: _scene_json(scene) for name, scene in self.scenes.items()},
            "image_bytes": self.room.image_bytes,
            "flash_bytes_free": self.room.bytes_free,
            "seconds_left": self.room.seconds_left,
            "findings": [finding.as_json() for finding in self.findings],
        }


def scene_report(
    show: ShowImage,
    played: PlayedScene,
    specs: Mapping[str, TrackSpec],
    linkages: Sequence[MovedAxes],
    asked_rad: Mapping[str, NDArray[np.float64]],
    kept: Kept | None = None,
) -> SceneReport:
    """Measure one scene as the player played it.

    ``linkages`` say which tracks move which axes; ``asked_rad`` maps an axis to its wish as authored on the
    1 ms grid; an axis that the scene does not mention is wished to stay at home. ``kept`` spares linkages
    whose points and wishes (the very same arrays) were measured before.
    """
    kept = Kept() if kept is None else kept
    record = show.scenes[show.number(played.scene)]
    duration_s = record.frames * show.frame_us * 1e-6
    streams = dict(zip(specs, record.tracks, strict=True))
    axes: dict[str, AxisReport] = {}
    servos: dict[str, ServoReport] = {}
    for moved in linkages:
        tracks = tuple(specs[name] for name in moved.tracks)
        stored = sum(len(streams[name] or b"") for name in moved.tracks)
        asked = {name: asked_rad[name] for name in moved.axes if name in asked_rad}
        key = (
            *("moved", Same(moved), tracks, stored, duration_s, played.loop),
            *(played.points[name].tobytes() for name in moved.tracks),
            *((name, Same(wish)) for name, wish in asked.items()),
        )
        measure = partial(_measured, moved, tracks, played, duration_s, stored, asked)
        own_axes, own_servos = kept.of(key, measure)
        axes |= own_axes
        servos |= own_servos
    names = [
        *((lamp.name, "lamp") for lamp in show.lamps),
        *((switch.name, "switch") for switch in show.switches),
    ]
    others = {
        key: len(stream or b"") / duration_s
        for key, stream in zip(names, record.lamps + record.switches, strict=True)
    }
    return SceneReport(played.scene, duration_s, played.loop, record.table_bytes, axes, servos, others)


def _measured(
    moved: MovedAxes,
    tracks: Sequence[TrackSpec],
    played: PlayedScene,
    duration_s: float,
    stored_bytes: int,
    asked_rad: Mapping[str, NDArray[np.float64]],
) -> tuple[dict[str, AxisReport], dict[str, ServoReport]]:
    """The axes and servos of one linkage."""
    points = [played.points[spec.name] for spec in tracks]
    peaks = [peak(spec, own, played.loop) for spec, own in zip(tracks, points, strict=True)]
    servos = {
        spec.servo: ServoReport(spec.servo, spec.name, moved.ratio, found, limit)
        for spec, found, limit in zip(tracks, peaks, moved.track_limits, strict=True)
    }
    reached: Mapping[str, Reached]
    angles: Mapping[str, NDArray[np.float64]]
    if moved.linkage is None:
        (axis,) = moved.axes
        reached = {axis: peaks[0]}
        angles = {axis: on_grid(tracks[0], points[0], played.loop)}
    else:
        home_rad = [moved.axes[axis].home_rad for axis in moved.linkage.axes]
        motion = linked_motion(moved.linkage, tracks, points, played.loop, home_rad)
        reached, angles = motion.extremes, motion.angle_rad
    axes = {}
    for name, facts in moved.axes.items():
        asked = asked_rad.get(name)
        difference = angles[name] - (facts.home_rad if asked is None else asked)
        axes[name] = AxisReport(
            axis=name,
            bytes_per_s=stored_bytes / len(moved.axes) / duration_s,
            peak=reached[name],
            limit=facts.limit,
            rms_error_rad=float(np.sqrt(np.mean(difference * difference))),
            max_error_rad=float(np.abs(difference).max()),
            knot_s=tracks[0].knot_s,
            played_rad=angles[name],
        )
    return axes, servos


def limit_json(limit: Limits) -> dict[str, float]:
    """Limits in degrees."""
    return {
        "velocity_deg_s": math.degrees(limit.velocity_rad_s),
        "acceleration_deg_s2": math.degrees(limit.acceleration_rad_s2),
        "jerk_deg_s3": math.degrees(limit.jerk_rad_s3),
    }


def peak_json(found: Reached) -> dict[str, float]:
    """Peaks in degrees."""
    return {
        "velocity_deg_s": math.degrees(found.velocity_rad_s),
        "acceleration_deg_s2": math.degrees(found.acceleration_rad_s2),
        "jerk_deg_s3": math.degrees(found.jerk_rad_s3),
    }


def _scene_json(scene: SceneReport) -> dict[str, Any]:
    channels: dict[str, Any] = {
        name: {
            "kind": "axis",
            "bytes_per_s": axis.bytes_per_s,
            "peak": peak_json(axis.peak),
            "limit": limit_json(axis.limit),
            "rms_error_deg": math.degrees(axis.rms_error_rad),
            "max_error_deg": math.degrees(axis.max_error_rad),
            "knot_ms": axis.knot_s * 1000.0,
        }
        for name, axis in scene.axes.items()
    }
    for (name, kind), rate in scene.other_bytes_per_s.items():
        channels[name] = {"kind": kind, "bytes_per_s": rate}
    return {
        "duration_s": scene.duration_s,
        "loop": scene.loop,
        "table_bytes": scene.table_bytes,
        "channels": channels,
        "servos": {
            name: {
                "peak": _scaled(peak_json(servo.peak), servo.ratio),
                "limit": _scaled(limit_json(servo.limit), servo.ratio),
            }
            for name, servo in scene.servos.items()
        },
    }


def _scaled(values: dict[str, float], ratio: float) -> dict[str, float]:
    """Degrees of the track as degrees of its servo."""
    return {key: value * ratio for key, value in values.items()}
