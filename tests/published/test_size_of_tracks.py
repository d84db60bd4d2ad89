"""Bytes a second of coded tracks, on curves like those of the project's motion notes.

The notes' table (measured in an experiment before this code): turn at 120 ms 8.7 B/s, jaw at 40 ms 26, idle
at 120 ms 9.3, raw 16-bit points 16.7 / 50 / 16.7. The curves here are our own random ones of the same
kind (turn: random poses within +-80 deg; jaw: speech-like, 0-25 deg; idle: sines), with the same limits.
"""

import math
import zlib

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.figure.model import Limits, TrackMap
from sequencer.motion.plan import plan_track
from sequencer.motion.spec import track_spec
from sequencer.tables.rice import encode_track

US_PER_DEG = 11.11
SECONDS = 36.0
Curve = NDArray[np.float64]


def turn(rng: np.random.Generator, t: Curve) -> Curve:
    at, pose = [0.0], [0.0]
    while at[-1] < SECONDS - 4:
        at.append(at[-1] + rng.uniform(0.8, 3.5))
        pose.append(rng.uniform(-80, 80))
    wish = np.array(pose)[np.searchsorted(at, t, side="right") - 1]
    return np.where(t > SECONDS - 3, 0.0, wish)


def jaw(rng: np.random.Generator, t: Curve) -> Curve:
    syllables = np.arange(0, SECONDS + 0.1, 0.05)
    loud = np.abs(np.convolve(rng.normal(size=len(syllables)), np.hanning(5), "same")) * 12
    speaking = np.repeat(rng.random(len(syllables) // 16 + 1) > 0.3, 16)[: len(syllables)]
    opened = np.clip(loud * speaking, 0, 25)
    return np.where(t > SECONDS - 1, 0.0, np.interp(t, syllables, opened))


def idle(rng: np.random.Generator, t: Curve) -> Curve:
    phases = rng.uniform(0, 2 * math.pi, 3)
    sines = sum(
        size * np.sin(2 * np.pi * rate * t + phase)
        for size, rate, phase in zip((12, 6, 1.5), (0.2, 0.33, 0.9), phases, strict=True)
    )
    return np.asarray(sines * np.clip(np.minimum(t, SECONDS - t - 1), 0, 1))


@pytest.mark.parametrize(
    ("curve", "knot_frames", "limits", "span_deg", "notes_b_per_s"),
    [
        (turn, 6, (110, 350, 3500), (-90, 90), 8.7),
        (jaw, 2, (220, 3500, 90000), (-5, 40), 26.0),
        (idle, 6, (60, 120, 800), (-90, 90), 9.3),
    ],
)
def test_coded_tracks_are_about_as_small_as_measured(
    curve, knot_frames, limits, span_deg, notes_b_per_s
) -> None:
    low_us, high_us = (1500 + US_PER_DEG * end for end in span_deg)
    track = TrackMap(
        *("t", "t", "t", 9, 1500.0, math.degrees(US_PER_DEG), low_us, high_us, 1500.0, 1500.0),
        frame_s=0.02,
    )
    velocity, acceleration, jerk = (math.radians(limit) for limit in limits)
    spec = track_spec(track, Limits(velocity, acceleration, jerk, {}), knot_frames=knot_frames)
    t = np.arange(round(SECONDS * 1000) + 1) / 1000
    ours = raw = squeezed = 0
    for seed in range(2):
        wish = np.radians(curve(np.random.default_rng(seed), t))
        points = plan_track(spec, wish, "s", loop=False, duration_s=SECONDS).points
        ours += len(encode_track(points, spec.rest, loop=False))
        raw += 2 * len(points)
        squeezed += min(
            len(zlib.compress(np.diff(points, n=n).astype("<i2").tobytes(), 9)) for n in (1, 2, 3)
        )
    rate = ours / 2 / SECONDS
    assert rate <= 1.25 * notes_b_per_s
    assert ours < 0.75 * raw
    assert ours < 0.9 * squeezed, "a general compressor on the best differences would do as well"
