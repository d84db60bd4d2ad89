"""The Lantern Keeper's neck gives way, and still: no scene leaves his head wobbling.

A simulation (SciPy's, of the head's own motion) is driven by the angles that the core plays, over 10 % to
either side of what was filmed, on every axis of the neck.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.motion.stilled import ringing_rad
from sequencer.show import CheckedShow
from sequencer.timeline.model import GRID_S
from tests.motion.flexible_neck import holds, wobble

NECK = ("turn", "nod", "tilt")
LIMIT_DEG = 0.05
#: Once an axis keeps this near to where it stops, it stands within so many seconds.
NEAR_DEG, STANDS_S = 0.02, 0.1
#: The simulation looks at the angle every so many seconds.
STEP_S = 0.005


@pytest.mark.parametrize("axis", NECK)
def test_no_scene_leaves_the_head_wobbling(checked_keeper: CheckedShow, axis: str) -> None:
    neck = checked_keeper.built.figure.axes[axis]
    assert neck.wobble_hz is not None
    assert neck.damping_ratio is not None
    frequencies = np.linspace(0.9, 1.1, 11) * neck.wobble_hz
    looked_at = 0
    for name, scene in checked_keeper.report.scenes.items():
        angle = np.degrees(scene.axes[axis].played_rad)[:: round(STEP_S / GRID_S)]
        # a loop's second turn has forgotten how the first began; a scene is followed by standing
        angle = (
            np.tile(angle[:-1], 2)
            if scene.loop
            else np.append(angle, np.full(round(1.0 / STEP_S), angle[-1]))
        )
        least_s = 1.0 / frequencies[0] + STANDS_S
        standing = [first for first, _ in holds(angle, STEP_S, least_s, NEAR_DEG) if first > 0]
        looked_at += len(standing)
        for frequency in frequencies:
            off = np.abs(wobble(angle, STEP_S, float(frequency), neck.damping_ratio))
            for first in standing:
                begin = first + round(STANDS_S / STEP_S)
                seen = off[begin : begin + round(1.0 / frequency / STEP_S)].max()
                assert seen <= LIMIT_DEG, (name, first * STEP_S, frequency)
    assert looked_at >= 5


def test_without_taps_he_would_wobble(checked_keeper: CheckedShow) -> None:
    """What the notes tell was there before: the same scenes, planned as if nobody had filmed him."""
    told = {
        (item.scene, item.channel): item
        for item in checked_keeper.report.findings
        if item.code == "ringing" and item.severity == "note"
    }
    assert {scene for scene, _ in told} == {"doze", "greet", "storm"}
    assert not [f for f in checked_keeper.report.findings if f.code == "ringing" and f.severity != "note"]
    planned = checked_keeper.built.planned
    for (scene, channel), item in told.items():
        assert channel in NECK
        assert item.value is not None
        assert item.value <= LIMIT_DEG
        plan = planned.plans[scene]["turn" if channel == "turn" else "neck_left"]
        assert plan.shaping is not None
        assert min(plan.shaping.taps) >= 0.0
    turn = planned.plans["storm"]["turn"]
    assert turn.shaping is not None
    assert math.degrees(turn.shaping.before_rad) > 5 * LIMIT_DEG
    assert ringing_rad([turn.spec], [turn.points], False, None)[0] <= math.radians(LIMIT_DEG)
