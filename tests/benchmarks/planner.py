"""Planner against clarabel on the same quadratic programme, in the same process.

    python tests/benchmarks/planner.py [--quick] [--json]

Curves *turn* (pose changes), *jaw* (speech-like) and *idle* (sines), one track each, at 30 s, 3 min and
10 min (``--quick``: 30 s and 3 min). Times are the best of several runs of the solve alone; the
problem's data are prepared outside for both sides. Objectives and limits are recomputed here from
the returned points, never taken from a solver.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import scipy.sparse as sp

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from sequencer.motion.interior import solve  # noqa: E402
from sequencer.motion.plan import plan_track, track_problem  # noqa: E402
from sequencer.motion.problem import TrackProblem  # noqa: E402
from tests.benchmarks.curves import CURVES, curve_spec, wish_deg  # noqa: E402

Peer = tuple[np.ndarray, float]


def curve_problem(
    curve: str, duration_s: float, loop: bool = False
) -> tuple[TrackProblem, Callable[[], Any]]:
    """The programme of one curve, and a function that plans it from wish to certificate."""
    spec = curve_spec(curve)
    wish = np.radians(wish_deg(curve, duration_s))
    problem = track_problem(spec, wish, curve, loop, duration_s)
    return problem, lambda: plan_track(spec, wish, curve, loop, duration_s)


def as_sparse(problem: TrackProblem) -> dict[str, Any]:
    """The same programme as explicit sparse matrices over the free points, built independently.

    minimise x'Px/2 + q'x subject to lower <= A x <= upper; extended = place @ x + fixed.
    """
    size, spans = problem.spans + 3, problem.spans
    if problem.loop:
        place = sp.csc_matrix((np.ones(size), (np.arange(size), np.arange(size) % spans)), (size, spans))
        fixed = np.zeros(size)
    else:
        free = np.arange(3, spans)
        place = sp.csc_matrix((np.ones(len(free)), (free, np.arange(len(free)))), (size, len(free)))
        fixed = np.concatenate([problem.head, np.zeros(size - 6), problem.tail])
    bands = problem.gram
    gram = sp.diags(
        [bands[abs(k), : size - abs(k)] for k in range(-3, 4)], list(range(-3, 4)), shape=(size, size)
    )
    linear = -problem.centred_moments + gram @ (fixed - problem.middle)
    difference = sp.eye(size, format="csr")
    rows, low, high = [], [], []
    for bound_low, bound_high in [(problem.low, problem.high), *[(-b, b) for b in problem.bounds]]:
        row = difference @ place
        touched = np.diff(sp.csr_matrix(row).indptr) > 0
        rows.append(sp.csr_matrix(row)[touched])
        offset = (difference @ fixed)[touched]
        low.append(bound_low - offset)
        high.append(bound_high - offset)
        count = difference.shape[0]
        difference = sp.csr_matrix(difference[1:] - difference[:-1]) if count > 1 else difference
    P = sp.csc_matrix(2.0 * (place.T @ gram @ place))
    A = sp.csc_matrix(sp.vstack(rows))
    for matrix in (P, A):
        matrix.sum_duplicates()
        matrix.sort_indices()
    return {
        "P": P,
        "q": 2.0 * (place.T @ linear),
        "A": A,
        "lower": np.concatenate(low),
        "upper": np.concatenate(high),
        "place": place,
        "fixed": fixed,
    }


def clarabel_runner(problem: TrackProblem, tolerance: float | None = None) -> Callable[[], np.ndarray]:
    """A function that solves the programme with clarabel and returns the extended points."""
    import clarabel

    data = as_sparse(problem)
    A = sp.csc_matrix(sp.vstack([data["A"], -data["A"]]))
    A.sort_indices()
    b = np.concatenate([data["upper"], -data["lower"]])
    P = sp.csc_matrix(sp.triu(data["P"]))
    P.sort_indices()
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    if tolerance is not None:
        settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = tolerance

    def run() -> np.ndarray:
        answer = clarabel.DefaultSolver(
            P, data["q"], A, b, [clarabel.NonnegativeConeT(len(b))], settings
        ).solve()
        if str(answer.status) not in ("Solved", "AlmostSolved"):
            raise RuntimeError(f"clarabel: {answer.status}")
        return data["place"] @ np.asarray(answer.x) + data["fixed"]

    return run


def worst_violation(problem: TrackProblem, extended: np.ndarray) -> float:
    """The largest excess over any limit, as a share of that limit (<= 0: none violated)."""
    middle, half = problem.middle, problem.half_range
    inner = extended if problem.loop else extended[3:-3]
    excess = np.max(np.abs(inner - middle)) / half - 1.0 if len(inner) else -1.0
    for order, bound in enumerate(problem.bounds, start=1):
        excess = max(excess, float(np.max(np.abs(np.diff(extended, order))) / bound - 1.0))
    return float(excess)


def best_time(run: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Shortest of ``repeats`` runs, and the last result."""
    best, result = float("inf"), None
    for _ in range(repeats):
        start = time.perf_counter()
        result = run()
        best = min(best, time.perf_counter() - start)
    return best, result


def run_case(curve: str, duration_s: float, repeats: int) -> dict[str, Any]:
    """One line of the table."""
    problem, plan = curve_problem(curve, duration_s)
    _ = problem.gram, problem.centred_moments, problem.centred_square
    ours, solution = best_time(lambda: solve(problem), repeats)
    peer, points = best_time(clarabel_runner(problem), max(1, repeats // 3))
    whole, _ = best_time(plan, repeats)
    theirs = problem.objective(points)
    active = [
        np.abs(np.diff(solution.extended, m)) > 0.999 * b for m, b in enumerate(problem.bounds, start=1)
    ]
    return {
        "ours": ours,
        "peers": {"clarabel": peer},
        "ratio": {"clarabel": peer / ours},
        "wish_to_certificate_s": whole,
        "unknowns": problem.unknowns,
        "iterations": solution.iterations,
        "active_share": float(np.mean(active[0][:-2] | active[1][:-1] | active[2])),
        "objective_relative_difference": (solution.objective - theirs) / theirs,
        "worst_violation_share": worst_violation(problem, solution.extended),
        "clarabel_worst_violation_share": worst_violation(problem, points),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="30 s and 3 min only")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    arguments = parser.parse_args()
    durations = (
        {"30 s": 30.0, "3 min": 180.0} if arguments.quick else {"30 s": 30.0, "3 min": 180.0, "10 min": 600.0}
    )
    repeats = 5 if arguments.quick else 9
    cases = {
        f"{curve} {label}": run_case(curve, duration_s, repeats)
        for label, duration_s in durations.items()
        for curve in CURVES
    }
    if arguments.json:
        print(json.dumps(cases))
        return
    print(
        f"{'case':<13}{'points':>8}{'ours ms':>9}{'clarabel ms':>13}{'ratio':>8}{'whole ms':>10}"
        f"{'iter':>6}{'active':>8}{'objective':>12}{'violation':>12}{'clarabel viol':>15}"
    )
    for name, case in cases.items():
        peer, ratio = case["peers"]["clarabel"], case["ratio"]["clarabel"]
        print(
            f"{name:<13}{case['unknowns']:>8}{case['ours'] * 1e3:>9.2f}{peer * 1e3:>13.1f}"
            f"{ratio:>8.1f}{case['wish_to_certificate_s'] * 1e3:>10.2f}{case['iterations']:>6}"
            f"{case['active_share']:>8.0%}{case['objective_relative_difference']:>12.1e}"
            f"{case['worst_violation_share']:>12.1e}{case['clarabel_worst_violation_share']:>15.1e}"
        )


if __name__ == "__main__":
    main()
