"""The track that live control is tried on."""

from __future__ import annotations

from sequencer.motion.model import TrackSpec

BASE = TrackSpec(
    name="turn",
    axis="turn",
    servo="neck",
    pin=7,
    frame_us=20_000,
    knot_frames=6,
    lsb_exponent=3,
    origin_us=1500,
    value_zero=0.0,
    value_per_rad=5000.0,
    low=-7110,
    high=7110,
    bounds=(1161, 439, 521),
    rest=0,
    parked=0,
)
