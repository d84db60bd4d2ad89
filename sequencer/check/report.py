"""The report of `check`: for each scene and channel what is played, against which limit, at which cost."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.check.played import PlayedScene
from sequencer.figure.model import Limits
from sequencer.finding import Finding, has_errors
from sequencer.motion.model import TrackSpec
from sequencer.motion.peak import Peak, errors, peak
from sequencer.tables.model import ShowImage
from sequencer.tables.room import Room

#: The three quantities of a motion with the names they have in ``--json``.
QUANTITIES = (
    ("velocity", "velocity_deg_s"),
    ("acceleration", "acceleration_deg_s2"),
    ("jerk", "jerk_deg_s3"),
)


@dataclass(frozen=True)
class AxisReport:
    """One axis in one scene, SI units; the errors are against the wish as authored."""

    axis: str
    servo: str
    servo_ratio: float
    bytes_per_s: float
    peak: Peak
    limit: Limits
    rms_error_rad: float
    max_error_rad: float
    knot_s: float

    def shares(self) -> dict[str, float]:
        """Each quantity's peak as a share of its limit."""
        return {
            "velocity": self.peak.velocity_rad_s / self.limit.velocity_rad_s,
            "acceleration": self.peak.acceleration_rad_s2 / self.limit.acceleration_rad_s2,
            "jerk": self.peak.jerk_rad_s3 / self.limit.jerk_rad_s3,
        }


@dataclass(frozen=True)
class SceneReport:
    """One scene: ``other_bytes_per_s`` holds lamps and switches by (name, kind)."""

    scene: str
    duration_s: float
    loop: bool
    table_bytes: int
    axes: Mapping[str, AxisReport]
    other_bytes_per_s: Mapping[tuple[str, str], float]


@dataclass(frozen=True)
class CheckReport:
    """What `check` knows."""

    show: str
    scenes: Mapping[str, SceneReport]
    room: Room
    findings: tuple[Finding, ...]

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
    limits: Mapping[str, Limits],
    ratios: Mapping[str, float],
    asked_rad: Mapping[str, NDArray[np.float64]],
) -> SceneReport:
    """Measure one scene as the player played it.

    ``ratios`` maps an axis to its drive's ratio, ``asked_rad`` to its wish as authored on the 1 ms
    grid; an axis that the scene does not mention is wished to stay at home.
    """
    record = show.scenes[show.number(played.scene)]
    duration_s = record.frames * show.frame_us * 1e-6
    axes = {}
    for index, (name, spec) in enumerate(specs.items()):
        points = played.points[name]
        rest_rad = (spec.rest - spec.value_zero) / spec.value_per_rad
        asked = asked_rad.get(spec.axis)
        if asked is None:
            asked = np.full(round(duration_s * 1000) + 1, rest_rad)
        rms, worst = errors(spec, points, played.loop, asked)
        axes[spec.axis] = AxisReport(
            axis=spec.axis,
            servo=spec.servo,
            servo_ratio=ratios[spec.axis],
            bytes_per_s=len(record.tracks[index] or b"") / duration_s,
            peak=peak(spec, points, played.loop),
            limit=limits[spec.axis],
            rms_error_rad=rms,
            max_error_rad=worst,
            knot_s=spec.knot_s,
        )
    names = [
        *((lamp.name, "lamp") for lamp in show.lamps),
        *((switch.name, "switch") for switch in show.switches),
    ]
    others = {
        key: len(stream or b"") / duration_s
        for key, stream in zip(names, record.lamps + record.switches, strict=True)
    }
    return SceneReport(played.scene, duration_s, played.loop, record.table_bytes, axes, others)


def limit_json(limit: Limits) -> dict[str, float]:
    """An axis' limits in degrees."""
    return {
        "velocity_deg_s": math.degrees(limit.velocity_rad_s),
        "acceleration_deg_s2": math.degrees(limit.acceleration_rad_s2),
        "jerk_deg_s3": math.degrees(limit.jerk_rad_s3),
    }


def peak_json(found: Peak) -> dict[str, float]:
    """A track's peaks in degrees of its axis."""
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
            axis.servo: {
                "peak": _scaled(peak_json(axis.peak), axis.servo_ratio),
                "limit": _scaled(limit_json(axis.limit), axis.servo_ratio),
            }
            for axis in scene.axes.values()
        },
    }


def _scaled(values: dict[str, float], ratio: float) -> dict[str, float]:
    """Degrees of the axis as degrees of its servo."""
    return {key: value * ratio for key, value in values.items()}
