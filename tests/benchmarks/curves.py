"""Test curves of the benchmarks: *turn* (pose changes), *jaw* (speech-like) and *idle* (sines)."""

from __future__ import annotations

import numpy as np

from sequencer.figure.model import Limits, TrackMap
from sequencer.motion.model import TrackSpec
from sequencer.motion.spec import track_spec
from sequencer.timeline.model import GRID_S

US_PER_DEG = 11.11
#: velocity deg/s, acceleration deg/s2, jerk deg/s3, range deg, knot frames.
CURVES: dict[str, tuple[float, float, float, tuple[float, float], int]] = {
    "turn": (110.0, 350.0, 3500.0, (-80.0, 80.0), 6),
    "jaw": (220.0, 3500.0, 90000.0, (0.0, 25.0), 2),
    "idle": (60.0, 120.0, 800.0, (-80.0, 80.0), 6),
}


def wish_deg(curve: str, duration_s: float, seed: int = 7) -> np.ndarray:
    """A wish in degrees on the 1 ms grid that asks for more than the limits allow."""
    random = np.random.default_rng(seed)
    t = np.arange(round(duration_s / GRID_S) + 1) * GRID_S
    if curve == "turn":
        starts = np.cumsum(random.uniform(0.6, 2.5, int(duration_s) + 8))
        poses = np.concatenate([[0.0], random.uniform(-80.0, 80.0, len(starts))])
        wish = poses[np.searchsorted(starts, t, side="right")]
        wish[t > duration_s - 1.5] = 0.0
        return wish
    if curve == "jaw":
        grid = np.arange(0.0, duration_s + 0.2, 0.08)
        loudness = np.interp(t, grid, random.uniform(0.0, 1.0, len(grid)))
        talking = np.sin(2 * np.pi * 0.13 * t) > -0.6
        return 25.0 * loudness * talking * (t > 0.3) * (t < duration_s - 0.3)
    return 15 * np.sin(2 * np.pi * t / 8) + 20 * np.sin(2 * np.pi * t / 3.7) + 6 * np.sin(2 * np.pi * t / 1.3)


def curve_spec(curve: str) -> TrackSpec:
    """The integers and bounds of the track that a curve is played on."""
    velocity, acceleration, jerk, (low, high), frames = CURVES[curve]
    track = TrackMap(
        curve,
        curve,
        "servo",
        7,
        1500.0,
        US_PER_DEG * 180.0 / np.pi,
        1500.0 + low * US_PER_DEG,
        1500.0 + high * US_PER_DEG,
        1500.0,
        1500.0,
        0.02,
    )
    limits = Limits(*np.radians([velocity, acceleration, jerk]).tolist(), why={})
    return track_spec(track, limits, knot_frames=frames)
