"""The planner against general solvers on the same quadratic programme, in one process on one thread.

    python tests/benchmarks/planner.py [--quick] [--json]

Curves *turn* (pose changes), *jaw* (speech-like) and *idle* (sines), one track each, at 30 s, 3 min and
10 min (``--quick``: 30 s and 3 min). Times are processor seconds, the best of several runs, of set-up and
solve: everything from the programme's numbers (P, q, bounds as each solver wants them) to its points, on
both sides. *compiled* and *arrays* are this planner with and without its compiled loops; a ratio is that
of a peer to *compiled*, ``ratio_arrays`` that to *arrays*. Every objective and violation is recomputed here
from the points, never taken from a solver; a peer that does not come within 1e-6 of the best objective, or
stays more than 1e-6 over a limit, is marked with !. PIQP runs with whichever of its backends is fastest
here, indices sorted. *fine* is PIQP on another programme: one unknown a 20 ms sample instead of a knot.

Then: how time grows from 30 s to an hour, peak memory of an hour on 16 tracks, and (without ``--quick``)
16 tracks of 10 minutes from wish to coded bytes against Clarabel on the same programmes.
"""

from __future__ import annotations

import os

# Before numpy: one thread for everybody.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "RAYON_NUM_THREADS"):
    os.environ[_name] = "1"

import argparse  # noqa: E402
import json  # noqa: E402
import math  # noqa: E402
import subprocess  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT, Path(__file__).resolve().parent):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

from curves import CURVES, curve_spec, wish_deg  # noqa: E402
from planner_peers import (  # noqa: E402
    as_sparse,
    clarabel_runner,
    fine_runner,
    osqp_runner,
    piqp_backends,
    piqp_runner,
    worst_violation,
)

from sequencer.motion import interior  # noqa: E402
from sequencer.motion.fast import Loops  # noqa: E402
from sequencer.motion.plan import plan_track, track_problem  # noqa: E402
from sequencer.motion.problem import TrackProblem  # noqa: E402

__all__ = ["as_sparse", "clarabel_runner", "worst_violation"]

#: What counts as the same objective, relative, and as keeping a limit, as a share of it.
EQUAL = 1e-6
SAMPLE_S = 0.02
FLOOR_US = 0.3
COMPILED, ARRAYS = Loops(), Loops()


def curve_problem(
    curve: str, duration_s: float, loop: bool = False, seed: int = 7
) -> tuple[TrackProblem, Callable[[], Any]]:
    """The programme of one curve, and a function that plans it from wish to certificate."""
    spec = curve_spec(curve)
    wish = np.radians(wish_deg(curve, duration_s, seed))
    problem = track_problem(spec, wish, curve, loop, duration_s)
    return problem, lambda: plan_track(spec, wish, curve, loop, duration_s)


def best_time(run: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Least processor time of ``repeats`` runs, and the last result."""
    best, result = float("inf"), None
    for _ in range(repeats):
        start = time.process_time()
        result = run()
        best = min(best, time.process_time() - start)
    return best, result


def solved_with(loops: Loops, problem: TrackProblem) -> interior.Solution:
    """This planner with one of its two forms."""
    interior.LOOPS = loops
    return interior.solve(problem)


def run_case(curve: str, duration_s: float, repeats: int) -> dict[str, Any]:
    """One line of the table."""
    problem, plan = curve_problem(curve, duration_s)
    _ = problem.gram, problem.centred_moments, problem.centred_square
    data = as_sparse(problem)
    few = max(1, repeats // 3)
    arrays, by_arrays = best_time(lambda: solved_with(ARRAYS, problem), few)
    ours, solution = best_time(lambda: solved_with(COMPILED, problem), repeats)
    whole, _ = best_time(plan, few)
    peers = {"clarabel": best_time(clarabel_runner(problem, data=data), few)}
    backend = min(piqp_backends(), key=lambda name: best_time(piqp_runner(data, name), 1)[0])
    peers["piqp"] = best_time(piqp_runner(data, backend), few)
    peers["osqp"] = best_time(osqp_runner(data), 1)
    fine, _ = best_time(fine_runner(problem, curve_spec(curve), SAMPLE_S, backend), 1)
    objectives = {name: problem.objective(points) for name, (_, points) in peers.items()}
    violations = {name: worst_violation(problem, points) for name, (_, points) in peers.items()}
    # The lowest objective of those that keep the limits: none can be better than the optimum.
    kept = [solution.objective, *(objectives[name] for name in peers if violations[name] <= EQUAL)]
    lowest = min(kept)
    excess = {name: value / lowest - 1.0 for name, value in objectives.items()}
    samples = duration_s / SAMPLE_S
    return {
        "ours": ours,
        "peers": {name: seconds for name, (seconds, _) in peers.items()},
        "ratio": {name: seconds / ours for name, (seconds, _) in peers.items()},
        "equal": {name: abs(excess[name]) <= EQUAL and violations[name] <= EQUAL for name in peers},
        "arrays_s": arrays,
        "ratio_arrays": {name: seconds / arrays for name, (seconds, _) in peers.items()},
        "piqp_backend": backend,
        "piqp_fine_samples_s": fine,
        "wish_to_certificate_s": whole,
        "unknowns": problem.unknowns,
        "iterations": solution.iterations,
        "us_per_20ms_sample": 1e6 * ours / samples,
        "times_floor": 1e6 * ours / samples / FLOOR_US,
        "objective_excess": {
            "ours": solution.objective / lowest - 1.0,
            "arrays": by_arrays.objective / lowest - 1.0,
            **excess,
        },
        "violation_share": {
            "ours": worst_violation(problem, solution.extended),
            "arrays": worst_violation(problem, by_arrays.extended),
            **violations,
        },
    }


def growth(quick: bool) -> dict[str, Any]:
    """Exponents of time over length from 30 s to an hour: the loops alone, and from wish to certificate."""
    lengths = (30.0, 3600.0)
    result: dict[str, Any] = {"from_s": lengths[0], "to_s": lengths[1]}
    interior.LOOPS = COMPILED
    for curve in ("turn",) if quick else CURVES:
        seconds: dict[str, list[float]] = {"solve": [], "plan": [], "each iteration": []}
        for length in lengths:
            problem, plan = curve_problem(curve, length)
            taken, solution = best_time(lambda problem=problem: interior.solve(problem), 3)
            seconds["solve"].append(taken)
            seconds["each iteration"].append(taken / solution.iterations)
            seconds["plan"].append(best_time(plan, 3)[0])
        result[curve] = {
            name: math.log(pair[1] / pair[0]) / math.log(lengths[1] / lengths[0])
            for name, pair in seconds.items()
        }
    return result


def hour(tracks: int) -> None:
    """Plan an hour on so many tracks and print its time and peak memory (run in a process of its own)."""
    import resource

    COMPILED.prepare(1)
    interior.LOOPS = COMPILED
    start, plans = time.process_time(), []
    for track in range(tracks):
        curve = list(CURVES)[track % len(CURVES)]
        _, plan = curve_problem(curve, 3600.0, seed=track)
        plans.append(plan())
    taken = time.process_time() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(json.dumps({"tracks": tracks, "seconds_with_wishes": taken, "peak_mib": peak}))


def hour_apart(tracks: int) -> dict[str, Any]:
    """:func:`hour` in a fresh process, so that its peak memory is its own."""
    command = [sys.executable, __file__, "--hour", str(tracks)]
    answer: dict[str, Any] = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    return answer


def show(duration_s: float, tracks: int) -> dict[str, Any]:
    """So many tracks planned, coded and certified against Clarabel's solves of the same programmes."""
    from sequencer.tables.rice import encode_track

    ours = theirs = 0.0
    bytes_coded = 0
    interior.LOOPS = COMPILED
    for track in range(tracks):
        curve = list(CURVES)[track % len(CURVES)]
        problem, plan = curve_problem(curve, duration_s, seed=track)

        def planned_and_coded(plan: Callable[[], Any] = plan) -> int:
            done = plan()
            return len(encode_track(done.points, done.spec.rest, done.loop))

        taken, size = best_time(planned_and_coded, 2)
        ours += taken
        bytes_coded += size
        theirs += best_time(clarabel_runner(problem), 1)[0]
    return {
        "ours": ours,
        "peers": {"clarabel": theirs},
        "ratio": {"clarabel": theirs / ours},
        "bytes": bytes_coded,
    }


def print_case(name: str, case: dict[str, Any]) -> None:
    """One line."""
    peers = "".join(
        f"{case['peers'][peer] * 1e3:>10.1f}{'' if case['equal'][peer] else '!':1}"
        f"{case['ratio'][peer]:>7.1f}{case['ratio_arrays'][peer]:>6.1f}"
        for peer in ("piqp", "clarabel", "osqp")
    )
    excess, violation = case["objective_excess"], case["violation_share"]
    print(
        f"{name:<12}{case['unknowns']:>7}{case['iterations']:>4}{case['ours'] * 1e3:>8.2f}"
        f"{case['arrays_s'] * 1e3:>8.2f}{case['wish_to_certificate_s'] * 1e3:>8.2f}"
        f"{case['us_per_20ms_sample']:>7.3f}{peers}{case['piqp_fine_samples_s'] * 1e3:>9.1f}"
        f"{excess['ours']:>9.0e}{max(violation['ours'], violation['arrays']):>9.0e}"
    )
    off = {
        peer: (f"{excess[peer]:.0e}", f"{violation[peer]:.0e}")
        for peer, ok in case["equal"].items()
        if not ok
    }
    for peer, (over, broken) in off.items():
        print(f"{'':<12}! {peer}: objective off by {over}, a limit by {broken}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="30 s and 3 min only, no 16 tracks")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--hour", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.hour:
        hour(arguments.hour)
        return
    start = time.process_time()
    if not COMPILED.prepare(1):
        raise SystemExit("numba or a cache folder is missing")
    loading = time.process_time() - start
    durations = {"30 s": 30.0, "3 min": 180.0} | ({} if arguments.quick else {"10 min": 600.0})
    cases: dict[str, Any] = {}
    if not arguments.json:
        print(f"loading (the first time: compiling) the loops: {loading:.2f} s. Times in ms.\n")
        heads = "".join(f"{peer:>10} {'ratio':>7}{'arr':>6}" for peer in ("piqp", "clarabel", "osqp"))
        print(
            f"{'case':<12}{'points':>7}{'it':>4}{'ours':>8}{'arrays':>8}{'whole':>8}{'us/20ms':>7}{heads}"
            f"{'fine':>9}{'excess':>9}{'over':>9}"
        )
    for label, duration_s in durations.items():
        for curve in CURVES:
            name = f"{curve} {label}"
            cases[name] = run_case(curve, duration_s, 6 if arguments.quick else 9)
            if not arguments.json:
                print_case(name, cases[name])
    cases["growth"] = growth(arguments.quick)
    cases["hour"] = hour_apart(2 if arguments.quick else 16)
    if not arguments.quick:
        cases["16 tracks x 10 min"] = show(600.0, 16)
    if arguments.json:
        print(json.dumps({**cases, "loading_s": loading}))
        return
    print()
    for name in ("growth", "hour", "16 tracks x 10 min"):
        if name in cases:
            print(f"{name}: {json.dumps(cases[name])}")


if __name__ == "__main__":
    main()
