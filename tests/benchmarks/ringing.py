"""What a filmed neck rings on after moves, with and without taps; and whether a long ramp is still needed.

Three tables. Every scene of the Lantern Keeper: the worst residual of each axis over 10 % to either side of
its frequency, before and after, and what the shaping cost in error and planning time. One turn of 10, 40 and
80 degrees with ramps from three servo frames to the neck's whole period: how long after its cue the head
is still (arrived, and ringing on by no more than 0.05 degrees; without taps: until it has died away). And the
pair of Singer and Seering (1990) at half a damped period on the same motions. CPU time of this process.

Run: python tests/benchmarks/ringing.py [--quick] [--json]
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from sequencer.figure.drives import track_of
from sequencer.figure.linkage import linkages
from sequencer.figure.model import Limits, TrackMap
from sequencer.motion.model import Mode, TrackPlan, TrackSpec
from sequencer.motion.peak import on_grid
from sequencer.motion.plan import plan_track
from sequencer.motion.ringing import LIMIT_RAD, Path, band, envelope
from sequencer.motion.shaper import zero_vibration
from sequencer.motion.spec import track_spec
from sequencer.motion.stilled import ringing_rad
from sequencer.show import PlannedShow, plan_show
from sequencer.show_folder import demo_folder, read_show

#: The Lantern Keeper's turn: half of a derated standard servo's speed, and the acceleration its torque gives.
SPEED_DEG_S, TORQUE_DEG_S2 = 122.0, 2400.0
US_PER_DEG = 11.11
DURATION_S = 6.0
CUE_S = 1.0
LIMIT_DEG = math.degrees(LIMIT_RAD)


def turn_spec(ramp_s: float, mode: Mode | None) -> TrackSpec:
    """A turning head: top speed within one ramp, or what the torque gives."""
    acceleration = min(SPEED_DEG_S / ramp_s, TORQUE_DEG_S2)
    low, high = 1500.0 - 90.0 * US_PER_DEG, 1500.0 + 90.0 * US_PER_DEG
    track = TrackMap(
        *("turn", "turn", "turn", 7, 1500.0, math.degrees(US_PER_DEG), low, high, 1500.0, 1500.0, 0.02)
    )
    limits = Limits(*np.radians((SPEED_DEG_S, acceleration, acceleration / ramp_s)), {})
    return replace(track_spec(track, limits, ramp_s=ramp_s), mode=mode)


def turn_wish(spec: TrackSpec, degrees: float) -> np.ndarray:
    """There and back in cycloids of the shortest time that the plan's share of the limits allows, rad."""
    velocity, acceleration, jerk = (
        0.85 * bound / abs(spec.value_per_rad) / spec.knot_s**order
        for order, bound in enumerate(spec.bounds, start=1)
    )
    far = math.radians(degrees)
    seconds = max(
        2.0 * far / velocity,
        math.sqrt(math.tau * far / acceleration),
        (math.tau**2 * far / jerk) ** (1 / 3),
    )
    t = np.arange(round(DURATION_S * 1000) + 1) / 1000.0
    u = np.clip((t - CUE_S) / seconds, 0.0, 1.0) - np.clip((t - CUE_S - 2.5) / seconds, 0.0, 1.0)
    wish: np.ndarray = far * (u - np.sin(math.tau * u) / math.tau)
    return wish


def still_s(spec: TrackSpec, plan: TrackPlan, mode: Mode) -> float:
    """From the cue until the head has arrived and rings on by no more than the limit, at any frequency."""
    angle = on_grid(spec, plan.points, False)[: round((CUE_S + 2.0) * 1000)]  # before it thinks of leaving
    arrived = len(angle) - int(np.argmax(np.abs(angle[::-1] - angle[-1]) > LIMIT_RAD))
    rings = ringing_rad([replace(spec, mode=mode)], [plan.points], False, None)[0]
    dies = math.log(max(rings / LIMIT_RAD, 1.0)) / (mode.damping * math.tau * mode.frequency_hz)
    return arrived / 1000.0 - CUE_S + dies


def pair_deg(spec: TrackSpec, plan: TrackPlan, mode: Mode) -> tuple[float, float]:
    """What the zero-vibration pair on the unshaped motion leaves: on the mode, and at its worst 10 % off."""
    step = 0.001
    angle = on_grid(spec, plan.points, False)
    acceleration = np.gradient(np.gradient(angle, step), step)
    (first, second), later_s = zero_vibration(mode.frequency_hz, mode.damping)
    later = round(later_s / step)
    shaped = first * acceleration
    shaped[later:] += second * acceleration[:-later]
    path = Path(angle, shaped, step, False)
    at = round((CUE_S + 2.4) / step)

    def left(frequency: float) -> float:
        # what has died away by then is counted back to where the unshaped motion stood
        return float(envelope(path, frequency, mode.damping)[at])

    plain = replace(path, acceleration=acceleration)
    rings = ringing_rad([replace(spec, mode=mode)], [plan.points], False, None)[0]
    looked_at = (mode.frequency_hz, *band(mode)[[0, -1]])
    whole = {f: float(envelope(plain, f, mode.damping)[at]) for f in looked_at}
    on, *off = (math.degrees(rings) * left(float(f)) / size for f, size in whole.items())
    return on, max(off)


def timed(run: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Best CPU seconds, and the result."""
    best, found = math.inf, None
    for _ in range(repeats):
        start = time.process_time()
        found = run()
        best = min(best, time.process_time() - start)
    return best, found


def turns(frequency_hz: float, repeats: int) -> dict[str, Any]:
    """The ramp table for one frequency."""
    mode = Mode(frequency_hz, 0.0, 0.03)
    found: dict[str, Any] = {}
    for degrees in (10.0, 40.0, 80.0):
        for ramp_s in (0.06, 0.1, 0.15, 0.2, 1.0 / frequency_hz):
            spec = turn_spec(ramp_s, None)
            known = replace(spec, mode=mode)
            wish = turn_wish(spec, degrees)
            plain_s, plain = timed(partial(plan_track, spec, wish, "s", False, DURATION_S), repeats)
            shaped_s, shaped = timed(partial(plan_track, known, wish, "s", False, DURATION_S), repeats)
            on, off = pair_deg(spec, plain, mode)
            found[f"{frequency_hz:g} Hz, {degrees:g} deg, ramp {ramp_s:.3g} s"] = {
                "ours": shaped_s,
                "peers": {"without taps": plain_s},
                "ratio": {"without taps": plain_s / shaped_s},
                "before_deg": math.degrees(ringing_rad([known], [plain.points], False, None)[0]),
                "after_deg": math.degrees(ringing_rad([known], [shaped.points], False, None)[0]),
                "pair_on_mode_deg": on,
                "pair_off_mode_deg": off,
                "taps": 0 if shaped.shaping is None else len(shaped.shaping.taps),
                "still_s": still_s(spec, shaped, mode),
                "still_without_taps_s": still_s(spec, plain, mode),
            }
    return found


def scenes(repeats: int) -> dict[str, Any]:
    """The Lantern Keeper's scenes, planned as if nobody had filmed his neck, and as filmed."""
    show = read_show(demo_folder())
    plain_axes = {name: replace(axis, wobble_hz=None) for name, axis in show.figure.axes.items()}
    plain_show = replace(show, figure=replace(show.figure, axes=plain_axes))
    plain_s, plain = timed(lambda: plan_show(plain_show), repeats)
    filmed_s, filmed = timed(lambda: plan_show(show), repeats)
    table: dict[str, Any] = {}
    for scene in filmed.plans:
        for link in linkages(show.figure):
            tracks = [filmed.specs[track_of(show.figure, servo)] for servo in link.servos]
            if all(spec.mode is None for spec in tracks):
                continue
            before, after = (_residuals(each, scene, tracks, link) for each in (plain, filmed))
            for axis, spec, was, now in zip(link.axes, tracks, before, after, strict=True):
                shaping = filmed.plans[scene][spec.name].shaping
                table[f"{scene} {axis}"] = {
                    "before_deg": math.degrees(was),
                    "after_deg": math.degrees(now),
                    "taps": 0 if shaping is None else len(shaping.taps),
                    "late_s": 0.0 if shaping is None else shaping.late_s,
                    "rms_before_deg": _rms(plain.plans[scene][spec.name], filmed.timelines[scene].duration_s),
                    "rms_after_deg": _rms(filmed.plans[scene][spec.name], filmed.timelines[scene].duration_s),
                }
    return {
        "Lantern Keeper": {
            "ours": filmed_s,
            "peers": {"without taps": plain_s},
            "ratio": {"without taps": plain_s / filmed_s},
            "scenes": table,
        }
    }


def _residuals(planned: PlannedShow, scene: str, tracks: list[TrackSpec], link: Any) -> tuple[float, ...]:
    points = [planned.plans[scene][spec.name].points for spec in tracks]
    behind = next((each for each in planned.tracks.behind if each.axes == link.axes), None)
    return ringing_rad(tracks, points, planned.timelines[scene].loop, behind)


def _rms(plan: TrackPlan, duration_s: float) -> float:
    """Root mean square error against what was wished; of a pair, of both its axes together."""
    return math.degrees(math.sqrt(plan.objective / duration_s))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one run of each, one frequency")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    arguments = parser.parse_args()
    repeats = 1 if arguments.quick else 3
    plan_track(turn_spec(0.2, Mode(3.0, 0.0, 0.03)), np.zeros(6001), "s", False, DURATION_S)  # imports
    cases = scenes(repeats)
    for frequency in (3.0,) if arguments.quick else (2.0, 3.0, 5.0):
        cases |= turns(frequency, repeats)
    if arguments.json:
        print(json.dumps(cases))
        return
    keeper = cases.pop("Lantern Keeper")
    print(
        f"{'scene, axis':<16}{'before':>9}{'after deg':>11}{'taps':>6}{'late ms':>9}"
        f"{'rms before':>12}{'after':>8}"
    )
    for name, row in keeper["scenes"].items():
        print(
            f"{name:<16}{row['before_deg']:>9.3f}{row['after_deg']:>11.3f}{row['taps']:>6}"
            f"{row['late_s'] * 1e3:>9.0f}{row['rms_before_deg']:>12.2f}{row['rms_after_deg']:>8.2f}"
        )
    plain_s = keeper["peers"]["without taps"]
    print(f"planning all scenes: {keeper['ours']:.2f} s, {plain_s:.2f} s without taps\n")
    print(
        f"{'one turn':<30}{'before':>8}{'after deg':>10}{'pair on':>9}{'10 % off':>9}{'taps':>6}"
        f"{'still s':>9}{'without':>9}{'ms':>7}{'without':>9}"
    )
    for name, row in cases.items():
        print(
            f"{name:<30}{row['before_deg']:>8.3f}{row['after_deg']:>10.3f}{row['pair_on_mode_deg']:>9.3f}"
            f"{row['pair_off_mode_deg']:>9.3f}{row['taps']:>6}{row['still_s']:>9.2f}"
            f"{row['still_without_taps_s']:>9.2f}{row['ours'] * 1e3:>7.1f}"
            f"{row['peers']['without taps'] * 1e3:>9.1f}"
        )


if __name__ == "__main__":
    main()
