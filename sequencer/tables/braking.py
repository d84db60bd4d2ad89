"""How long a stop must take when the scene that it breaks off may already use its share of torque.

A stop fades the velocity of every track by the same weight w, from one to nothing. Beyond what the scene
asks, shrunk by w, and what holding asks, that takes w' v of acceleration against the motion. Scenes use a
share of stall torque; a stop whose w' v stays within what the rest of it gives is as safe as they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from sequencer.motion.model import TrackPlan
from sequencer.tables.model import COMMON_FRAMES

#: The steepest slope of the fade 10 x^3 - 15 x^4 + 6 x^5.
STEEPEST = 15.0 / 8.0


def least_stop_frames(plans: Iterable[TrackPlan], spare_rad_s2: Mapping[str, float]) -> int:
    """Frames, whole common knots, in which a stop brakes every plan within its track's spare acceleration.

    ``spare_rad_s2`` names the tracks that are planned with torque; of others nothing is asked.
    """
    needed = float(COMMON_FRAMES)
    for plan in plans:
        spare = spare_rad_s2.get(plan.spec.name)
        if spare is not None:
            fastest = (
                float(np.abs(np.diff(plan.points)).max()) / abs(plan.spec.value_per_rad) / plan.spec.knot_s
            )
            needed = max(needed, STEEPEST * fastest / spare / (plan.spec.frame_us * 1e-6))
    return COMMON_FRAMES * math.ceil(needed / COMMON_FRAMES)
