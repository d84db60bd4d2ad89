"""What a picture of a scene needs: plain curves in a builder's units, made by ``sequencer/show.py``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.finding import Finding


@dataclass(frozen=True)
class AxisCurve:
    """One axis over a scene, in degrees on the 1 ms grid: as authored, and as the player plays it.

    ``words`` are the figure's own words for (negative, positive) angles. ``peak_share`` holds
    velocity, acceleration and jerk as a share of their limits (1.0 = at the limit).
    """

    name: str
    words: tuple[str, str]
    asked_deg: NDArray[np.float64]
    planned_deg: NDArray[np.float64]
    low_deg: float
    high_deg: float
    peak_share: dict[str, float]
    rms_error_deg: float


@dataclass(frozen=True)
class LampCurve:
    """One lamp's perceived lightness in per cent, a value per servo frame."""

    name: str
    lightness_percent: NDArray[np.float64]


@dataclass(frozen=True)
class SwitchCurve:
    """When a switch is on: pairs of (from, to) seconds."""

    name: str
    on_s: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class TrackLink:
    """How a track's pulse reads as its axis's angle: pulse_us = zero_us + us_per_deg * angle_deg.

    The page needs it to draw angles from what the player core emits; ``name`` is the track's name in
    the show image.
    """

    name: str
    axis: str
    zero_us: float
    us_per_deg: float


@dataclass(frozen=True)
class LinkTable:
    """How pulses of one or two tracks read as the angles of as many axes behind a linkage.

    ``angle_deg`` (axes, n) or (axes, n, n) holds angles at n equally spaced pulses from ``low_us`` to
    ``high_us`` of each track, the first track's along the second dimension; between them it is linear.
    """

    tracks: tuple[str, ...]
    axes: tuple[str, ...]
    low_us: tuple[float, ...]
    high_us: tuple[float, ...]
    angle_deg: NDArray[np.float64]


@dataclass(frozen=True)
class SceneView:
    """One scene as curves. ``tracks`` may be empty: the page then shows pulses but no angles.

    ``tables`` read the pulses of tracks that ``tracks`` does not.
    """

    figure: str
    scene: str
    duration_s: float
    loop: bool
    axes: tuple[AxisCurve, ...]
    lamps: tuple[LampCurve, ...]
    switches: tuple[SwitchCurve, ...]
    findings: tuple[Finding, ...]
    frame_s: float = 0.02
    tracks: tuple[TrackLink, ...] = ()
    tables: tuple[LinkTable, ...] = ()
