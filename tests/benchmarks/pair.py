"""The two tracks of a pair planned together against the ways of not doing so, on a minute at the corners.

    python tests/benchmarks/pair.py [--quick] [--json]

The Lantern Keeper's neck: nod and tilt by two cranks. Wishes are sent from corner to corner of the
ranges, with tremors on top, slower and faster than the servos can follow; once to the corners themselves,
which the convex polygon of pulses cuts (a way that leaves the ranges then has less error), once to the
corners that it keeps. Peers:

- *apart*: each servo's track by itself, its own error in degrees of the crank;
- *apart, weighed*: each by itself, weighed with its own entry of the pose's weight;
- *apart, boxed*: each by itself, in the largest box of pulses inside the polygon (apart, nothing else
  keeps the pose within the ranges);
- *axes, refitted*: nod and tilt planned as axes with the constant limits that the cranks give each of
  them alone at home, the result mapped to the servos and fitted by splines;
- *axes, slowed*: the same with both axes' limits scaled down until the fit keeps the servos' limits on
  this very minute, which no builder could know before.

For each: seconds, pose error (root mean square over both axes, degrees), the servos' worst peak as a
share of what a plan may use (1.00 keeps it), and how far the pose leaves the ranges (degrees). Nothing is
asserted here.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from sequencer.figure.model import Figure, Limits, TrackMap  # noqa: E402
from sequencer.figure.polygon import corner_loss  # noqa: E402
from sequencer.figure.read import read_figure  # noqa: E402
from sequencer.motion import linked  # noqa: E402
from sequencer.motion.interior import solve  # noqa: E402
from sequencer.motion.linked import plan_linked  # noqa: E402
from sequencer.motion.model import TrackSpec  # noqa: E402
from sequencer.motion.pair import plan_pair, pose_weight  # noqa: E402
from sequencer.motion.peak import on_grid  # noqa: E402
from sequencer.motion.plan import PLAN_SHARE, plan_track, track_problem  # noqa: E402
from sequencer.motion.spec import track_spec  # noqa: E402
from sequencer.motion.tracks import figure_tracks  # noqa: E402

#: Storms by name: seconds between corners, seconds that a move takes.
STORMS = {
    "breeze": ((1.6, 3.0), (1.1, 1.4)),
    "gale": ((1.1, 2.4), (0.7, 0.9)),
    "storm": ((0.6, 1.4), (0.4, 0.6)),
}
Floats = np.ndarray


@dataclass(frozen=True)
class Neck:
    """The pair of a figure and all that planning it takes."""

    figure: Figure
    linkage: Any
    specs: tuple[TrackSpec, TrackSpec]
    pair: Any
    ranges_rad: Floats

    def poses(self, servo_rad: Floats, near: Floats) -> Floats:
        """Forward kinematics."""
        return np.asarray(self.linkage.axis_rad(servo_rad, near))


def keeper_neck() -> Neck:
    """The neck of the Lantern Keeper as if nobody had filmed its wobble: ways of planning compare."""
    figure = read_figure(ROOT / "shows" / "lantern_keeper" / "figure.toml")
    tracks = figure_tracks(figure)
    pair = tracks.pairs["neck"]
    linkage = next(link for link in tracks.behind if len(link.servos) == 2)
    one, other = (replace(tracks.specs[name], mode=None) for name in pair.tracks)
    ranges = np.array([figure.axes[axis].range_rad for axis in linkage.axes])
    return Neck(figure, linkage, (one, other), pair, ranges)


def kept_ranges_rad(neck: Neck) -> Floats:
    """The ranges shrunk about home until the polygon keeps all four corners."""
    share = min(corner.share for corner in corner_loss(neck.figure, neck.pair.name))
    return np.asarray((share - 0.005) * neck.ranges_rad)


def storm(ranges_rad: Floats, kind: str, duration_s: float, seed: int = 5) -> Floats:
    """From corner to corner of the ranges (n, 2), quintic moves, tremors, home at both ends."""
    (shortest, longest), (quick, slow) = STORMS[kind]
    random = np.random.default_rng(seed)
    t = np.arange(round(duration_s * 1000) + 1) / 1000.0
    wish = np.zeros((len(t), 2))
    now, at_s = np.zeros(2), 0.4
    while at_s < duration_s - 2.0:
        corner = ranges_rad[[0, 1], random.integers(0, 2, 2)] * random.choice([1.0, 1.0, 0.8], 2)
        u = np.clip((t - at_s) / random.uniform(quick, slow), 0.0, 1.0)
        wish += (u**3 * (10.0 - 15.0 * u + 6.0 * u * u))[:, None] * (corner - now)
        now = corner
        at_s += random.uniform(shortest, longest)
    u = np.clip((t - duration_s + 1.6) / 0.9, 0.0, 1.0)
    wish -= (u**3 * (10.0 - 15.0 * u + 6.0 * u * u))[:, None] * now
    calm = np.clip(np.minimum(t, duration_s - t) - 0.3, 0.0, 1.0)[:, None]
    wish += calm * np.radians([1.2, 0.9]) * np.sin(np.stack([7.0 * t, 11.0 * t + 1.0], axis=1))
    return np.clip(wish, ranges_rad[:, 0], ranges_rad[:, 1])


@dataclass(frozen=True)
class Outcome:
    """One way's motion: seconds it took, pose error, servo peak over what a plan may use, way outside."""

    seconds: float
    rms_deg: float
    servo_share: float
    outside_deg: float

    def as_json(self) -> dict[str, float]:
        """Figures that are not times."""
        return {
            "rms_deg": self.rms_deg,
            "servo_peak_share": self.servo_share,
            "outside_deg": self.outside_deg,
        }


def share_of_bounds(spec: TrackSpec, points: Floats) -> float:
    """The largest difference as a share of the plan's bound."""
    return max(
        float(np.abs(np.diff(points, order)).max()) / (PLAN_SHARE * bound)
        for order, bound in enumerate(spec.bounds, start=1)
    )


def judged(neck: Neck, wish: Floats, points: list[Floats], seconds: float) -> Outcome:
    """Look at a motion given by real or integer control points of both tracks."""
    servo = np.stack([on_grid(spec, c, False) for spec, c in zip(neck.specs, points, strict=True)], axis=1)
    pose = neck.poses(servo, wish)
    error = np.degrees(pose - wish)
    outside = np.maximum(neck.ranges_rad[:, 0] - pose, pose - neck.ranges_rad[:, 1]).max()
    return Outcome(
        seconds,
        float(np.sqrt((error**2).sum(axis=1).mean())),
        max(share_of_bounds(spec, c) for spec, c in zip(neck.specs, points, strict=True)),
        max(0.0, math.degrees(float(outside))),
    )


def joint(neck: Neck, wish: Floats, duration_s: float, passes: int = linked.PASSES) -> list[Floats]:
    """Ours; without passes the programme posed once, about the wish."""
    if passes:
        plans = plan_linked(neck.linkage, neck.specs, neck.pair, wish, "storm", False, duration_s)
    else:
        weight = pose_weight(neck.linkage.jacobian(wish))
        served = neck.linkage.servo_rad(wish)
        plans = plan_pair(neck.pair, neck.specs, served, weight, "storm", False, duration_s)
    return [plan.points for plan in plans]


def apart(neck: Neck, wish: Floats, duration_s: float, weighed: bool) -> list[Floats]:
    """Each track by itself."""
    served = neck.linkage.servo_rad(wish)
    weight = pose_weight(neck.linkage.jacobian(wish))
    return [
        plan_track(
            *(spec, served[:, i], "storm", False, duration_s),
            weight=weight[:, i, i] if weighed else None,
        ).points
        for i, spec in enumerate(neck.specs)
    ]


def boxed(neck: Neck, wish: Floats, duration_s: float) -> list[Floats]:
    """Each track by itself in the largest box about rest, of the tracks' own proportions, in the polygon."""
    one, other = neck.specs
    reach = [min(spec.high - spec.rest, spec.rest - spec.low) for spec in neck.specs]
    share = min(
        (face.inner - face.a * one.rest - face.b * other.rest)
        / (abs(face.a) * reach[0] + abs(face.b) * reach[1])
        for face in neck.pair.faces
    )
    specs = tuple(
        replace(spec, low=math.ceil(spec.rest - share * r), high=math.floor(spec.rest + share * r))
        for spec, r in zip(neck.specs, reach, strict=True)
    )
    return apart(replace(neck, specs=specs), wish, duration_s, True)


def axis_spec(neck: Neck, column: int, scale: float) -> TrackSpec:
    """An axis as if it had a servo of its own, with the limits that the cranks give it alone at home."""
    jacobian = np.abs(neck.linkage.jacobian(np.zeros((1, 2)))[0, :, column])
    track, knot_s = neck.specs[0], neck.specs[0].knot_s
    alone = [
        scale
        * min(
            spec.bounds[m] / abs(spec.value_per_rad) / knot_s ** (m + 1) / j
            for spec, j in zip(neck.specs, jacobian, strict=True)
        )
        for m in range(3)
    ]
    slope = abs(track.value_per_rad) * track.lsb_us
    low, high = neck.ranges_rad[column]
    made = TrackMap(
        *("axis", "axis", "axis", 7, 1500.0, slope),
        *(1500.0 + slope * low, 1500.0 + slope * high, 1500.0, 1500.0, track.frame_us * 1e-6),
    )
    return track_spec(
        made, Limits(*alone, why={}), clock_error=0.0, knot_frames=track.knot_frames, lsb_exponent=5
    )


def refitted(neck: Neck, wish: Floats, duration_s: float, scale: float) -> list[Floats]:
    """Plan axes, map the motion to the servos, fit splines to it (bounds far away)."""
    axes = []
    for column in range(2):
        spec = axis_spec(neck, column, scale)
        axes.append(
            on_grid(spec, plan_track(spec, wish[:, column], "storm", False, duration_s).points, False)
        )
    served = neck.linkage.servo_rad(np.stack(axes, axis=1))
    points = []
    for i, spec in enumerate(neck.specs):
        points.append(
            solve(track_problem(spec, served[:, i], "storm", False, duration_s, share=100.0)).extended
        )
    return points


def slowed(neck: Neck, wish: Floats, duration_s: float) -> list[Floats]:
    """The largest scale whose fit keeps the servos' limits, found by halving."""
    low, high = 0.02, 1.0
    best = refitted(neck, wish, duration_s, low)
    for _ in range(7):
        middle = 0.5 * (low + high)
        points = refitted(neck, wish, duration_s, middle)
        if max(share_of_bounds(spec, c) for spec, c in zip(neck.specs, points, strict=True)) <= 1.0:
            low, best = middle, points
        else:
            high = middle
    return best


def timed(run: Callable[[], list[Floats]], repeats: int) -> tuple[float, list[Floats]]:
    """Best of several runs, and the result."""
    best, points = math.inf, []
    for _ in range(repeats):
        start = time.perf_counter()
        points = run()
        best = min(best, time.perf_counter() - start)
    return best, points


def outcomes(neck: Neck, kind: str, kept: bool, duration_s: float, repeats: int = 1) -> dict[str, Outcome]:
    """Every way on one storm, ours first; ``kept``: to the corners that the polygon keeps."""
    wish = storm(kept_ranges_rad(neck) if kept else neck.ranges_rad, kind, duration_s)
    ways: dict[str, Callable[[], list[Floats]]] = {
        "together": lambda: joint(neck, wish, duration_s),
        "together, once": lambda: joint(neck, wish, duration_s, 0),
        "apart": lambda: apart(neck, wish, duration_s, False),
        "apart, weighed": lambda: apart(neck, wish, duration_s, True),
        "apart, boxed": lambda: boxed(neck, wish, duration_s),
        "axes, refitted": lambda: refitted(neck, wish, duration_s, 1.0),
        "axes, slowed": lambda: slowed(neck, wish, duration_s),
    }
    found = {}
    for name, way in ways.items():
        seconds, points = timed(way, 1 if name == "axes, slowed" else repeats)
        found[name] = judged(neck, wish, points, seconds)
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one run of each")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    arguments = parser.parse_args()
    neck = keeper_neck()
    cases: dict[str, Any] = {}
    for kind, kept in itertools.product(STORMS, (False, True)):
        found = outcomes(neck, kind, kept, 60.0, 1 if arguments.quick else 5)
        ours = found["together"]
        peers = {name: each for name, each in found.items() if name != "together"}
        cases[f"{kind}, kept corners" if kept else kind] = {
            "ours": ours.seconds,
            "peers": {name: each.seconds for name, each in peers.items()},
            "ratio": {name: each.seconds / ours.seconds for name, each in peers.items()},
            "rms_ratio": {name: each.rms_deg / ours.rms_deg for name, each in peers.items()},
            "figures": {name: each.as_json() for name, each in found.items()},
        }
    if arguments.json:
        print(json.dumps(cases))
        return
    print(f"{'case':<22}{'way':<18}{'ms':>9}{'rms deg':>10}{'ratio':>8}{'servo peak':>12}{'outside deg':>13}")
    for name, case in cases.items():
        for way, figures in case["figures"].items():
            seconds = case["ours"] if way == "together" else case["peers"][way]
            ratio = 1.0 if way == "together" else case["rms_ratio"][way]
            print(
                f"{name:<22}{way:<18}{seconds * 1e3:>9.1f}{figures['rms_deg']:>10.3f}{ratio:>8.2f}"
                f"{figures['servo_peak_share']:>12.2f}{figures['outside_deg']:>13.2f}"
            )


if __name__ == "__main__":
    main()
