"""General solvers on a track's programme, for the benchmark and the tests: matrices built independently.

Each ``*_runner`` returns a function from the programme's matrices to extended points; what it is given was
prepared outside, the solver's own set-up is inside.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.sparse as sp

from sequencer.motion.model import TrackSpec
from sequencer.motion.problem import TrackProblem

#: Enough for each of them to come within 1e-6 of the optimum where it can at all.
PIQP_TOLERANCE = 1e-9
OSQP_TOLERANCE = 1e-7
OSQP_SECONDS = 3.0

Runner = Callable[[], np.ndarray]


def as_sparse(problem: TrackProblem) -> dict[str, Any]:
    """The same programme as explicit sparse matrices over the free points, built independently.

    minimise x'Px/2 + q'x subject to lower <= A x <= upper; extended = place @ x + fixed.
    """
    size = problem.spans + 3
    bands = problem.gram
    gram = sp.diags(
        [bands[abs(k), : size - abs(k)] for k in range(-3, 4)], list(range(-3, 4)), shape=(size, size)
    )
    return _matrices(problem, gram, problem.centred_moments + gram @ np.full(size, problem.middle))


def _matrices(problem: TrackProblem, gram: Any, pull: np.ndarray) -> dict[str, Any]:
    """minimise c' gram c - 2 pull' c over the extended points c within the limits of ``problem``."""
    size, spans = problem.spans + 3, problem.spans
    if problem.loop:
        place = sp.csc_matrix((np.ones(size), (np.arange(size), np.arange(size) % spans)), (size, spans))
        fixed = np.zeros(size)
    else:
        free = np.arange(3, spans)
        place = sp.csc_matrix((np.ones(len(free)), (free, np.arange(len(free)))), (size, len(free)))
        fixed = np.concatenate([problem.head, np.zeros(size - 6), problem.tail])
    difference = sp.eye(size, format="csr")
    rows, low, high = [], [], []
    for bound_low, bound_high in [(problem.low, problem.high), *[(-b, b) for b in problem.bounds]]:
        row = sp.csr_matrix(difference @ place)
        touched = np.diff(row.indptr) > 0
        rows.append(row[touched])
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
    q = 2.0 * (place.T @ (gram @ fixed - pull))
    lower, upper = np.concatenate(low), np.concatenate(high)
    return {"P": P, "q": q, "A": A, "lower": lower, "upper": upper, "place": place, "fixed": fixed}


def worst_violation(problem: TrackProblem, extended: np.ndarray) -> float:
    """The largest excess over any limit, as a share of that limit (<= 0: none violated)."""
    middle, half = problem.middle, problem.half_range
    inner = extended if problem.loop else extended[3:-3]
    excess = np.max(np.abs(inner - middle)) / half - 1.0 if len(inner) else -1.0
    for order, bound in enumerate(problem.bounds, start=1):
        excess = max(excess, float(np.max(np.abs(np.diff(extended, order))) / bound - 1.0))
    return float(excess)


def clarabel_runner(
    problem: TrackProblem, tolerance: float | None = None, data: dict[str, Any] | None = None
) -> Runner:
    """Clarabel, at its own tolerances (1e-8) unless told."""
    import clarabel

    data = as_sparse(problem) if data is None else data
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


def piqp_backends() -> list[str]:
    """PIQP's ways of factoring a sparse programme (one thread)."""
    import piqp

    return [
        name for name in piqp.KKTSolver.__members__ if name.startswith("sparse") and "parallel" not in name
    ]


def piqp_runner(data: dict[str, Any], backend: str) -> Runner:
    """PIQP with one of its backends; rows have both sides in one, as it likes them."""
    import piqp

    def run() -> np.ndarray:
        solver = piqp.SparseSolver()
        solver.settings.kkt_solver = piqp.KKTSolver.__members__[backend]
        solver.settings.eps_abs = solver.settings.eps_rel = PIQP_TOLERANCE
        solver.setup(data["P"], data["q"], None, None, data["A"], data["lower"], data["upper"], None, None)
        solver.solve()
        return data["place"] @ solver.result.x + data["fixed"]

    return run


def osqp_runner(data: dict[str, Any]) -> Runner:
    """OSQP until its tolerance or :data:`OSQP_SECONDS`; what it has by then is judged like all others."""
    import osqp

    def run() -> np.ndarray:
        solver = osqp.OSQP()
        solver.setup(
            *(sp.csc_matrix(sp.triu(data["P"])), data["q"], data["A"], data["lower"], data["upper"]),
            eps_abs=OSQP_TOLERANCE,
            eps_rel=OSQP_TOLERANCE,
            max_iter=10**6,
            time_limit=OSQP_SECONDS,
            verbose=False,
        )
        answer = solver.solve()
        return data["place"] @ np.asarray(answer.x) + data["fixed"]

    return run


def fine_runner(problem: TrackProblem, spec: TrackSpec, sample_s: float, backend: str) -> Runner:
    """PIQP on another programme: the samples themselves are unknown, limits on their differences."""
    every = round(sample_s / spec.knot_s * problem.steps)
    samples = problem.wish[::every]
    shrink = sample_s / spec.knot_s
    bounds = tuple(bound * shrink**order for order, bound in enumerate(problem.bounds, start=1))
    wish = np.concatenate(
        [samples, samples[-1:], samples[-1:]]
    )  # as many as a spline of these spans has points
    stand_in = TrackProblem(
        samples, 1, problem.low, problem.high, (bounds[0], bounds[1], bounds[2]), problem.head, problem.tail
    )
    return piqp_runner(_matrices(stand_in, sp.eye(len(wish), format="csr"), wish), backend)
