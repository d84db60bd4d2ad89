"""A made-up pair: a smooth map of two axes to two cranks, its inverse by Newton, and its polygon."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.model import Limits, TrackMap
from sequencer.motion.model import PairSpec, TrackSpec
from sequencer.motion.polygon import pair_spec
from sequencer.motion.spec import group_specs

Floats = NDArray[np.float64]

US_PER_RAD = math.degrees(10.0)


@dataclass(frozen=True)
class Plane:
    track_a: str
    track_b: str
    a: float
    b: float
    limit: float


class Bent:
    """servo1 = 1.3 n + 0.8 t + bends, servo2 = 1.3 n - 0.8 t + bends: like two cranks behind a head."""

    name = "neck"
    axes = ("nod", "tilt")
    servos = ("left", "right")
    reach_rad = (math.radians(20.0), math.radians(18.0))

    def servo_rad(self, axis_rad: Floats) -> Floats:
        n, t = axis_rad[:, 0], axis_rad[:, 1]
        both = 1.3 * n + 0.35 * n**2 + 0.9 * t**2
        apart = 0.8 * t + 0.7 * n * t + 0.5 * t**3
        return np.stack([both + apart, 1.1 * both - apart], axis=1)

    def jacobian(self, axis_rad: Floats) -> Floats:
        n, t = axis_rad[:, 0], axis_rad[:, 1]
        both = np.stack([1.3 + 0.7 * n, 1.8 * t], axis=1)
        apart = np.stack([0.7 * t, 0.8 + 0.7 * n + 1.5 * t**2], axis=1)
        return np.stack([both + apart, 1.1 * both - apart], axis=1)

    def axis_rad(self, servo_rad: Floats, near: Floats | None = None) -> Floats:
        pose = np.zeros_like(servo_rad) if near is None else np.array(near)
        for _ in range(30):
            change = np.linalg.solve(self.jacobian(pose), (servo_rad - self.servo_rad(pose))[..., None])[
                ..., 0
            ]
            pose += change
        return pose

    def inside(self, axis_rad: Floats, margin_rad: float = 0.0) -> NDArray[np.bool_]:
        """Whether poses keep both ranges."""
        return (np.abs(axis_rad) <= np.array(self.reach_rad) + margin_rad).all(axis=1)

    def polygon(self) -> list[Plane]:
        """Half-planes in us whose polygon lies inside the image of both ranges (a dense test proves it).

        The image's edges bend: where one bulges inward its plane touches it from inside, found by moving
        it to the least support of the edge; else the chord of the corners would do and so does this.
        """
        s = np.linspace(-1.0, 1.0, 2001)
        rn, rt = self.reach_rad
        planes = []
        for edge in (
            np.stack([np.full_like(s, rn), s * rt], axis=1),
            np.stack([np.full_like(s, -rn), s * rt], axis=1),
            np.stack([s * rn, np.full_like(s, rt)], axis=1),
            np.stack([s * rn, np.full_like(s, -rt)], axis=1),
        ):
            pulses = 1500.0 + US_PER_RAD * self.servo_rad(edge)
            chord = pulses[-1] - pulses[0]
            normal = np.array([chord[1], -chord[0]]) / np.hypot(*chord)
            if normal @ (pulses.mean(axis=0) - 1500.0) < 0.0:
                normal = -normal
            planes.append(Plane(*self.servos, *normal.tolist(), float((pulses @ normal).min()) - 0.5))
        return planes

    def track_maps(self) -> list[TrackMap]:
        grid = np.stack(np.meshgrid(*(np.linspace(-r, r, 41) for r in self.reach_rad)), -1).reshape(-1, 2)
        pulses = 1500.0 + US_PER_RAD * self.servo_rad(grid)
        return [
            TrackMap(
                *(servo, self.name, servo, 7 + i, 1500.0, US_PER_RAD),
                *(float(pulses[:, i].min()), float(pulses[:, i].max()), 1500.0, 1500.0, 0.02),
            )
            for i, servo in enumerate(self.servos)
        ]

    def specs(
        self, velocity: float = 160.0, acceleration: float = 900.0, jerk: float = 9000.0
    ) -> tuple[TrackSpec, TrackSpec, PairSpec]:
        limits = Limits(*np.radians([velocity, acceleration, jerk]).tolist(), {})
        one, other = group_specs(self.track_maps(), [limits, limits], self.name)
        return pair_spec(self.name, one, other, self.polygon())

    def storm(self, seed: int, duration_s: float, share: float = 1.0) -> Floats:
        """Jumps between the range's corners and edges at random moments, home at both ends; (n, 2)."""
        random = np.random.default_rng(seed)
        t = np.arange(round(duration_s * 1000) + 1) / 1000.0
        starts = np.cumsum(random.uniform(0.15, 0.9, int(duration_s * 4) + 8))
        poses = random.choice([-1.0, 1.0], (len(starts) + 1, 2)) * random.choice(
            [1.0, 0.9, 0.3], (len(starts) + 1, 2)
        )
        wish = share * poses[np.searchsorted(starts, t, side="right")] * np.array(self.reach_rad)
        wish += np.stack([0.05 * np.sin(9.0 * t), 0.04 * np.sin(13.0 * t)], axis=1)
        wish = np.clip(wish, -np.array(self.reach_rad), np.array(self.reach_rad))
        wish[(t < 0.3) | (t > duration_s - 0.6)] = 0.0
        return wish
