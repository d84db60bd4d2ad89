"""The live limiter against ruckig and against the offline planner, on the same limits, in the same process.

    python tests/benchmarks/live.py [--quick] [--json]

Curves *turn*, *jaw* and *idle* (tests/benchmarks/curves.py). *Time*: CPU microseconds a channel and tick
(one control point a knot, a new target each) of :class:`sequencer.motion.live.LiveTrack`, of a track of a
:class:`LivePair` in a polygon, and of ruckig's local state-to-state ``update``; best of several runs.
*Moves*: from rest to rest, the live limiter's time (whole knots) less ruckig's minimum, in knots. Ruckig's
duration is taken from its trajectory, not counted in steps, so its own step does not show.

*Tracking*: RMS error in degrees of the curve on the 1 ms grid, and again after shifting it by its lag (the
shift that leaves least), over that of the offline planner, which knows the future. All may use the planner's
share of the limits. Ruckig is handed the newest target each knot, and each servo frame, its state passed on
exactly; its curve is read from its trajectories at 1 ms, not joined from its steps.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import ruckig

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from sequencer.motion.live import LiveTrack  # noqa: E402
from sequencer.motion.live_pair import LivePair  # noqa: E402
from sequencer.motion.model import PairFace, PairSpec, TrackSpec  # noqa: E402
from sequencer.motion.plan import plan_track  # noqa: E402
from sequencer.motion.spline import basis  # noqa: E402
from sequencer.timeline.model import GRID_S, PLAN_SHARE  # noqa: E402
from tests.benchmarks.curves import CURVES, curve_spec, wish_deg  # noqa: E402

#: Left out at both ends, where the planner must be at home.
ENDS_S = 2.0
#: Shifts (1 ms) that may be a lag.
MOST_LAG = 1500
FACE = 8192


def as_lsb(spec: TrackSpec, wish: np.ndarray) -> np.ndarray:
    """Degrees as values of the track."""
    return spec.value_zero + spec.value_per_rad * np.radians(wish)


def as_deg(spec: TrackSpec, values: np.ndarray) -> np.ndarray:
    """Values of the track as degrees."""
    return np.degrees((values - spec.value_zero) / spec.value_per_rad)


def steps_of(spec: TrackSpec) -> int:
    """Grid samples a knot."""
    return round(spec.knot_s / GRID_S)


def spline(points: np.ndarray, steps: int) -> np.ndarray:
    """The curve of control points (n,) at ``steps`` samples a span."""
    windows = np.lib.stride_tricks.sliding_window_view(points.astype(float), 4)
    return (windows @ basis(np.arange(steps) / steps).T).ravel()


def cpu_us(run: Callable[[], Any], ticks: int, repeats: int) -> float:
    """Least CPU time of a tick in microseconds."""
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        run()
        best = min(best, time.process_time() - start)
    return best / ticks * 1e6


def slow_tick_us(spec: TrackSpec, targets: list[float]) -> float:
    """The tick (CPU time) that one in a hundred is slower than."""
    live = LiveTrack(spec)
    taken = []
    for target in targets:
        start = time.process_time_ns()
        live.tick(target)
        taken.append(time.process_time_ns() - start)
    return float(np.percentile(taken, 99.0)) * 1e-3


def live_points(spec: TrackSpec, targets: list[float], share: float = 1.0) -> np.ndarray:
    """All points of a run from home, its first three included."""
    live = LiveTrack(spec, share=share)
    return np.array([spec.rest] * 3 + [live.tick(target).point for target in targets])


def pair_run(spec: TrackSpec, targets: list[float]) -> None:
    """A pair in an octagon that cuts the corners of its box; the second track half a minute late."""
    half = (spec.high - spec.low) / 2.0
    middle = (spec.high + spec.low) / 2.0
    faces = []
    for turn in np.arange(8) * np.pi / 4.0:
        a, b = round(FACE * float(np.cos(turn))), round(FACE * float(np.sin(turn)))
        faces.append(PairFace(a, b, int((a + b) * middle + FACE * half)))
    one, other = (replace(spec, name=name, rest=round(middle), group="pair") for name in "ab")
    pair = LivePair(PairSpec("pair", ("a", "b"), tuple(faces)), (one, other))
    late = targets[len(targets) // 2 :] + targets[: len(targets) // 2]
    for both in zip(targets, late, strict=True):
        pair.tick(both)


def ruckig_input(limits: tuple[float, ...], at: float) -> ruckig.InputParameter:
    """One axis at rest at ``at``, limits per knot^m."""
    given = ruckig.InputParameter(1)
    given.current_position, given.target_position = [at], [at]
    given.max_velocity, given.max_acceleration, given.max_jerk = ([limit] for limit in limits)
    return given


def ruckig_run(
    spec: TrackSpec, limits: tuple[float, ...], targets: list[float], step: float, samples: int = 0
) -> np.ndarray:
    """Ruckig follows ``targets``, a new one each ``step`` (knots); ``samples`` of each step's curve."""
    filter_ = ruckig.Ruckig(1, step)
    given, answer = ruckig_input(limits, float(spec.rest)), ruckig.OutputParameter(1)
    curve = []
    for target in targets:
        given.target_position = [min(max(target, spec.low), spec.high)]
        if filter_.update(given, answer) not in (ruckig.Result.Working, ruckig.Result.Finished):
            raise RuntimeError(f"ruckig gave up on {given}")
        began = answer.time - step  # an unchanged target goes on with the same trajectory
        for sample in range(samples):
            curve.append(answer.trajectory.at_time(began + sample * step / samples)[0][0])
        answer.pass_to_input(given)
    return np.array(curve)


def extra_knots(spec: TrackSpec, moves: int) -> np.ndarray:
    """Rest-to-rest time of random moves less ruckig's minimum on the same limits, in knots."""
    random = np.random.default_rng(5)
    extra = []
    for _ in range(moves):
        start, goal = (int(end) for end in random.integers(spec.low, spec.high + 1, 2))
        if start == goal:
            continue
        live = LiveTrack(spec, (start,) * 3)
        knots = 1
        while not live.tick(goal).resting:
            knots += 1
        given = ruckig_input((live.brake.velocity, live.brake.acceleration, live.brake.jerk), float(start))
        given.target_position = [float(goal)]
        trajectory = ruckig.Trajectory(1)
        ruckig.Ruckig(1).calculate(given, trajectory)
        extra.append(knots - trajectory.duration)
    return np.array(extra)


def errors(curve: np.ndarray, wish: np.ndarray) -> tuple[float, float, float]:
    """RMS error (deg), RMS after removing the lag, the lag in ms."""
    ends = round(ENDS_S / GRID_S)

    def rms(lag: int) -> float:
        size = min(len(curve), len(wish)) - MOST_LAG
        return float(np.sqrt(np.mean((curve[ends + lag : size + lag] - wish[ends:size]) ** 2)))

    coarse = min(range(0, MOST_LAG, 20), key=rms)
    lag = min(range(max(0, coarse - 20), coarse + 20), key=rms)
    return rms(0), rms(lag), lag * GRID_S * 1e3


def run_case(curve: str, duration_s: float, repeats: int) -> dict[str, Any]:
    """Time, moves and tracking on one curve."""
    spec = curve_spec(curve)
    wish = wish_deg(curve, duration_s)
    steps = steps_of(spec)
    targets = [float(target) for target in as_lsb(spec, wish)[:-1:steps]]
    brake = LiveTrack(spec).brake
    limits = (brake.velocity, brake.acceleration, brake.jerk)
    ours = cpu_us(lambda: live_points(spec, targets), len(targets), repeats)
    both = cpu_us(lambda: pair_run(spec, targets), 2 * len(targets), repeats)
    theirs = cpu_us(lambda: ruckig_run(spec, limits, targets, 1.0), len(targets), repeats)
    extra = extra_knots(spec, 200)

    share = tuple(PLAN_SHARE * bound for bound in spec.bounds)
    each_frame = [float(target) for target in as_lsb(spec, wish)[: -1 : steps // spec.knot_frames]]
    plan = plan_track(spec, np.radians(wish), curve, False, duration_s)
    curves = {
        "planner": spline(plan.points, steps),
        "live": spline(live_points(spec, targets, PLAN_SHARE), steps),
        "ruckig a knot": ruckig_run(spec, share, targets, 1.0, steps),
        "ruckig a frame": ruckig_run(
            spec, share, each_frame, 1.0 / spec.knot_frames, steps // spec.knot_frames
        ),
    }
    tracking = {}
    best = errors(as_deg(spec, curves["planner"]), wish)
    for name, values in curves.items():
        rms, aligned, lag_ms = errors(as_deg(spec, values), wish)
        tracking[name] = {
            "rms_deg": rms,
            "rms_without_lag_deg": aligned,
            "lag_ms": lag_ms,
            "over_planner": rms / best[0],
            "without_lag_over_planner": aligned / best[0],
        }
    return {
        "ours": ours * 1e-6,
        "peers": {"ruckig": theirs * 1e-6},
        "ratio": {"ruckig": theirs / ours},
        "pair_us_a_channel": both,
        "one_in_a_hundred_us": slow_tick_us(spec, targets),
        "extra_knots_median": float(np.median(extra)),
        "extra_knots_most": float(extra.max()),
        "tracking": tracking,
    }


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one minute of each curve")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    arguments = parser.parse_args()
    duration_s, repeats = (60.0, 5) if arguments.quick else (300.0, 9)
    cases = {curve: run_case(curve, duration_s, repeats) for curve in CURVES}
    if arguments.json:
        print(json.dumps(cases))
        return
    print("us a channel and tick; knots over ruckig's least time from rest to rest")
    print(
        f"{'curve':<8}{'live':>8}{'1 in 100':>10}{'pair':>8}{'ruckig':>8}{'ratio':>8}{'median':>9}{'most':>7}"
    )
    for curve, case in cases.items():
        print(
            f"{curve:<8}{case['ours'] * 1e6:>8.1f}{case['one_in_a_hundred_us']:>10.1f}"
            f"{case['pair_us_a_channel']:>8.1f}{case['peers']['ruckig'] * 1e6:>8.1f}"
            f"{case['ratio']['ruckig']:>8.2f}{case['extra_knots_median']:>9.2f}{case['extra_knots_most']:>7.2f}"
        )
    print("\ntracking on the same limits: RMS deg, over the planner's; the same without the lag")
    print(f"{'curve':<8}{'who':<16}{'RMS':>8}{'ratio':>8}{'lag ms':>8}{'RMS':>8}{'ratio':>8}")
    for curve, case in cases.items():
        for name, found in case["tracking"].items():
            print(
                f"{curve:<8}{name:<16}{found['rms_deg']:>8.3f}{found['over_planner']:>8.2f}"
                f"{found['lag_ms']:>8.0f}{found['rms_without_lag_deg']:>8.3f}"
                f"{found['without_lag_over_planner']:>8.2f}"
            )


if __name__ == "__main__":
    main()
