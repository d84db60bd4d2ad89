"""A minute of storm at the corners of the Lantern Keeper's neck: limits, polygon, nearer than other ways."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from sequencer.check.axes import linked_motion
from sequencer.motion.certificate import certify
from sequencer.motion.peak import evaluate, peak
from sequencer.motion.polygon import certify_pair


@pytest.fixture(scope="module")
def ways() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "pair.py"
    spec = importlib.util.spec_from_file_location("pair_benchmark", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_a_minute_keeps_servo_limits_and_stays_in_the_polygon(ways: ModuleType) -> None:
    neck = ways.keeper_neck()
    wish = ways.storm(neck.ranges_rad, "storm", 60.0)
    points = ways.joint(neck, wish, 60.0)
    for spec, c in zip(neck.specs, points, strict=True):
        proof, found = certify(spec, c, scene="storm"), peak(spec, c, False)
        assert found.velocity_lsb <= proof.velocity.max <= proof.velocity.bound
        assert found.acceleration_lsb <= proof.acceleration.max <= proof.acceleration.bound
        assert found.jerk_lsb <= proof.jerk.max <= proof.jerk.bound
    certify_pair(neck.pair, neck.specs, points, scene="storm", loop=False)
    t = np.linspace(0.0, 60.0, 90_001)
    servo = np.stack([evaluate(spec, c, False, t) for spec, c in zip(neck.specs, points, strict=True)], 1)
    pose = neck.poses(servo, np.zeros_like(servo))
    assert (pose >= neck.ranges_rad[:, 0]).all()
    assert (pose <= neck.ranges_rad[:, 1]).all()
    assert (np.abs(pose).max(axis=0) > 0.9 * neck.ranges_rad[:, 1]).all(), "else it is not at the corners"


@pytest.mark.parametrize("kept", [True, False])
def test_no_way_that_keeps_the_limits_is_nearer(ways: ModuleType, kept: bool) -> None:
    """And, when the wish is beyond the corners that the polygon keeps, no way that stays in the ranges."""
    found = ways.outcomes(ways.keeper_neck(), "gale", kept, 60.0)
    ours = found.pop("together")
    assert ours.servo_share <= 1.0
    assert ours.outside_deg == 0.0
    fair = {name: way for name, way in found.items() if way.servo_share <= 1.0 + 1e-3}
    assert "axes, refitted" not in fair, "planning axes and refitting breaks the servos' limits"
    if not kept:
        fair = {name: way for name, way in fair.items() if way.outside_deg < 0.02}
    assert {"apart, boxed", "axes, slowed"} <= set(fair)
    assert not kept or {"apart", "apart, weighed"} <= set(fair)
    for name, way in fair.items():
        assert ours.rms_deg <= way.rms_deg * (1.0 + 1e-4), name


def test_derivatives_through_the_linkage_are_those_of_the_angle(ways: ModuleType) -> None:
    """Velocity, acceleration and jerk of nod and tilt against differences of the angle itself."""
    neck = ways.keeper_neck()
    wish = ways.storm(ways.kept_ranges_rad(neck), "gale", 12.0)
    points = ways.joint(neck, wish, 12.0)
    found = linked_motion(neck.linkage, neck.specs, points, False, [0.0, 0.0])
    h = 1e-3
    t = np.arange(0.0, 12.0 + h / 2, h)

    def pose(at: np.ndarray) -> np.ndarray:
        servo = [evaluate(spec, c, False, at) for spec, c in zip(neck.specs, points, strict=True)]
        return neck.poses(np.stack(servo, axis=1), np.zeros((len(at), 2)))

    angle = pose(t)
    # differences reach over a knot, where jerk jumps: there they tell a mean, never more than the extreme
    for column, axis in enumerate(neck.linkage.axes):
        np.testing.assert_allclose(found.angle_rad[axis], angle[:, column], atol=1e-11)
        reached = found.extremes[axis]
        sizes = (reached.velocity_rad_s, reached.acceleration_rad_s2, reached.jerk_rad_s3)
        for order, (size, near) in enumerate(zip(sizes, (1e-4, 2e-3, 5e-3), strict=True), start=1):
            most = float(np.abs(np.diff(angle[:, column], order)).max()) / h**order
            assert most == pytest.approx(size, rel=near)
