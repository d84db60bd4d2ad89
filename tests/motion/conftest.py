"""Makers shared by the motion tests, and the peer from the benchmark folder."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from sequencer.figure.model import Limits, TrackMap
from sequencer.motion.model import TrackSpec
from sequencer.motion.spec import track_spec

US_PER_DEG = 11.11


def load_peer() -> ModuleType:
    """tests/benchmarks/planner.py, which builds the same programme for clarabel."""
    path = Path(__file__).parents[1] / "benchmarks" / "planner.py"
    spec = importlib.util.spec_from_file_location("planner_benchmark", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def peer() -> ModuleType:
    return load_peer()


class Make:
    """Tracks and specs in degrees."""

    @staticmethod
    def track(
        low_deg: float = -80.0, high_deg: float = 80.0, home_deg: float = 0.0, **other: float
    ) -> TrackMap:
        per_deg = other.pop("us_per_deg", US_PER_DEG)
        ends = sorted((1500.0 + low_deg * per_deg, 1500.0 + high_deg * per_deg))
        fields: dict[str, object] = {
            "name": "turn",
            "axis": "turn",
            "servo": "neck",
            "pin": 7,
            "zero_us": 1500.0,
            "us_per_rad": math.degrees(per_deg),
            "low_us": ends[0],
            "high_us": ends[1],
            "rest_us": 1500.0 + home_deg * per_deg,
            "parked_us": 1500.0 + home_deg * per_deg,
            "frame_s": 0.02,
        }
        return TrackMap(**{**fields, **other})  # type: ignore[arg-type]

    @staticmethod
    def limits(velocity: float = 110.0, acceleration: float = 350.0, jerk: float = 3500.0) -> Limits:
        return Limits(math.radians(velocity), math.radians(acceleration), math.radians(jerk), {})

    def spec(self, knot_frames: int | None = 6, **track: float) -> TrackSpec:
        return track_spec(self.track(**track), self.limits(), knot_frames=knot_frames)

    @staticmethod
    def steps_wish(seed: int, duration_s: float, reach_deg: float = 80.0) -> np.ndarray:
        """Poses at random moments, jumping, back home for the last second; rad on the 1 ms grid."""
        random = np.random.default_rng(seed)
        t = np.arange(round(duration_s * 1000) + 1) / 1000.0
        starts = np.cumsum(random.uniform(0.2, 2.0, int(duration_s * 2) + 4))
        poses = np.concatenate([[0.0], random.uniform(-reach_deg, reach_deg, len(starts))])
        wish = poses[np.searchsorted(starts, t, side="right")]
        wish[t > duration_s - 1.0] = 0.0
        return np.radians(wish)


@pytest.fixture(scope="session")
def make() -> Make:
    return Make()
