"""Further rows on the points of a span, hard and priced, against clarabel on explicit matrices."""

from __future__ import annotations

import dataclasses

import clarabel
import numpy as np
import pytest
import scipy.sparse as sp

from sequencer.errors import PlanError
from sequencer.motion.interior import NoConvergenceError, solve
from sequencer.motion.plan import plan_track
from sequencer.motion.problem import JointProblem, Problem, SpanRows, TrackProblem
from sequencer.motion.rows import FURTHER


def random_rows(random: np.random.Generator, spans: int, points: np.ndarray, tracks: int) -> SpanRows:
    """Rows that cut off a plan without them (``points``, extended, interleaved), most of them priced.

    The hard ones are half-open and keep ``points`` shrunk by a fifth, which keeps every other limit too.
    """
    count = 3 * spans
    span = np.sort(random.integers(0, spans, count))
    coefficients = random.standard_normal((count, 4 * tracks)) * random.choice(
        [0.0, 1.0, 3.0], (count, 4 * tracks)
    )
    value = np.einsum("mi,mi->m", coefficients, points[span[:, None] * tracks + np.arange(4 * tracks)])
    half = np.abs(value) * random.choice([0.0, 0.02], count)
    aim = value * random.uniform(0.6, 1.2, count)
    low, high = aim - half, aim + half
    price = 10.0 ** random.uniform(-3, 6, count)
    hard = random.random(count) < 0.3
    price[hard] = np.inf
    low[hard] = np.where(value < 0.0, 0.9 * value, -np.inf)[hard]
    high[hard] = np.where(value < 0.0, np.inf, 0.9 * value)[hard]
    return SpanRows(span.astype(np.int64), coefficients, low, high, price)


def parts_of(seed: int, tracks: int) -> tuple[TrackProblem, ...]:
    random = np.random.default_rng(seed)
    spans, steps = (int(random.integers(5, 60)), 12) if seed % 4 else (int(random.integers(1, 9)), 12)
    fixed = None if seed % 2 else (0.0,) * 3
    parts = []
    for _ in range(tracks):
        poses = np.repeat(random.uniform(-900.0, 900.0, spans * steps // 60 + 1), 60)[: spans * steps]
        wish = np.append(poses, poses[0])
        parts.append(TrackProblem(wish, steps, -700.0, 700.0, (200.0, 90.0, 60.0), fixed, fixed))
    return tuple(parts)


def with_rows(seed: int, tracks: int) -> Problem:
    """A problem with rows that bind; every hard one can be kept."""
    random = np.random.default_rng(1000 + seed)
    parts = parts_of(seed, tracks)
    if tracks == 1:
        plain: TrackProblem | JointProblem = parts[0]
    else:
        root = random.standard_normal((parts[0].spans * parts[0].steps, tracks, tracks))
        plain = JointProblem(parts, root.transpose(0, 2, 1) @ root + 0.3 * np.eye(tracks))
    rows = random_rows(random, plain.spans, solve(plain).extended, tracks)
    return dataclasses.replace(plain, rows=rows)


def rows_matrix(problem: Problem, rows: SpanRows) -> sp.csr_matrix:
    tracks = len(problem.parts)
    matrix = sp.lil_matrix((len(rows.span), (problem.spans + 3) * tracks))
    for row, span in enumerate(rows.span):
        for i in range(4):
            for track in range(tracks):
                matrix[row, (span + i) * tracks + track] = rows.coefficients[row, i * tracks + track]
    return sp.csr_matrix(matrix)


def by_clarabel(problem: Problem, rows: SpanRows) -> np.ndarray:
    """Extended points, and a variable for what each row is beyond its limits (0 where it is hard)."""
    tracks, spans = len(problem.parts), problem.spans
    size, count = (spans + 3) * tracks, len(rows.span)
    if problem.loop:
        place = sp.csc_matrix((np.ones(size), (np.arange(size), np.arange(size) % (spans * tracks))))
    else:
        free = np.arange(3 * tracks, spans * tracks)
        place = sp.csc_matrix((np.ones(len(free)), (free, np.arange(len(free)))), (size, len(free)))
    middles = np.tile([part.middle for part in problem.parts], spans + 3)
    bands = problem.gram
    gram = sum(
        sp.diags([band[: size - k]] * (2 if k else 1), [k, -k] if k else [0], shape=(size, size))
        for k, band in enumerate(bands)
    )
    blocks, limits = [], []
    for track, part in enumerate(problem.parts):
        pick = sp.eye(size, format="csr")[track::tracks]
        for bound in (None, *part.bounds):
            low, high = (part.low, part.high) if bound is None else (-bound, bound)
            blocks += [pick, -pick]
            limits += [np.full(pick.shape[0], high), np.full(pick.shape[0], -low)]
            pick = pick[1:] - pick[:-1]
    matrix = rows_matrix(problem, rows)
    soft = np.isfinite(rows.price)
    slack = sp.diags(soft.astype(float), format="csr")
    none = sp.csr_matrix((sum(block.shape[0] for block in blocks), count))
    A = sp.bmat(
        [
            [sp.vstack(blocks) @ place, none],
            [matrix @ place, -slack],
            [-matrix @ place, -slack],
            [None, -sp.eye(count)],
        ]
    ).tocsr()
    b = np.concatenate([*limits, rows.high, -rows.low, np.zeros(count)])
    kept = (np.diff(A.indptr) > 0) & np.isfinite(b)
    P = sp.block_diag([2.0 * place.T @ gram @ place, sp.csc_matrix((count, count))])
    q = np.concatenate(
        [place.T @ (-2.0 * problem.centred_moments - 2.0 * gram @ middles), np.where(soft, rows.price, 0.0)]
    )
    P, A = sp.csc_matrix(sp.triu(P)), sp.csc_matrix(A[kept])
    for each in (P, A):
        each.sum_duplicates()
        each.sort_indices()
    options = clarabel.DefaultSettings()
    options.verbose = False
    options.tol_gap_abs = options.tol_gap_rel = options.tol_feas = 1e-10
    cones = [clarabel.NonnegativeConeT(A.shape[0])]
    answer = clarabel.DefaultSolver(P, q, A, b[kept], cones, options).solve()
    assert str(answer.status) in ("Solved", "AlmostSolved")
    return place @ np.asarray(answer.x)[: place.shape[1]]


def cost(problem: Problem, rows: SpanRows, extended: np.ndarray) -> float:
    value = rows_matrix(problem, rows) @ extended
    beyond = np.maximum(0.0, np.maximum(value - rows.high, rows.low - value))
    soft = np.isfinite(rows.price)
    return problem.objective(extended) + float(rows.price[soft] @ beyond[soft])


def beyond_hard(problem: Problem, rows: SpanRows, extended: np.ndarray) -> float:
    """The worst break of any hard limit, in LSB or units of its row."""
    value = rows_matrix(problem, rows) @ extended
    hard = ~np.isfinite(rows.price)
    tracks = len(problem.parts)
    if not problem.loop:  # a row on fixed points alone is nobody's to keep
        free = np.zeros(len(extended))
        free[3 * tracks : problem.spans * tracks] = 1.0
        hard &= abs(rows_matrix(problem, rows)) @ free > 0.0
    worst = max([0.0, *(value - rows.high)[hard], *(rows.low - value)[hard]])
    for track, part in enumerate(problem.parts):
        points = extended[track::tracks]
        worst = max(worst, points.max() - part.high, part.low - points.min())
        for order, bound in enumerate(part.bounds, start=1):
            if len(points) > order:
                worst = max(worst, np.abs(np.diff(points, order)).max() - bound)
    return worst


@pytest.mark.parametrize("tracks", [1, 2])
@pytest.mark.parametrize("seed", range(16))
def test_as_good_as_clarabel_with_hard_and_priced_rows(seed: int, tracks: int) -> None:
    problem = with_rows(seed, tracks)
    rows = problem.rows
    assert rows is not None
    ours = solve(problem).extended
    assert beyond_hard(problem, rows, ours) <= 1e-5
    if problem.parts[0].unknowns == 0:
        return
    theirs = by_clarabel(problem, rows)
    assert cost(problem, rows, ours) == pytest.approx(cost(problem, rows, theirs), rel=1e-6, abs=1e-4)


def test_the_random_rows_are_hard_enough() -> None:
    """Hard rows bind, some priced ones are kept exactly and some given up, over seams too."""
    binding = kept = broken = wrapped = 0
    for seed in range(16):
        problem = with_rows(seed, 1)
        rows = problem.rows
        assert rows is not None
        value = rows_matrix(problem, rows) @ solve(problem).extended
        near = np.minimum(np.abs(value - rows.high), np.abs(value - rows.low)) < 1e-3
        over = (value > rows.high + 1e-2) | (value < rows.low - 1e-2)
        soft = np.isfinite(rows.price)
        binding += int((near & ~soft).sum())
        kept += int((near & soft).sum())
        broken += int((over & soft).sum())
        wrapped += int(((near | over) & (rows.span > problem.spans - 3)).sum()) if problem.loop else 0
    assert min(binding, kept, broken) >= 40
    assert wrapped >= 10


def still(loop: bool, **other: object) -> TrackProblem:
    fixed = None if loop else (0.0,) * 3
    return TrackProblem(np.zeros(401), 10, -300.0, 300.0, (60.0, 40.0, 30.0), fixed, fixed, **other)


def one_row(span: int, low: float, high: float, price: float) -> SpanRows:
    position = np.array([[1.0, 4.0, 1.0, 0.0]]) / 6.0
    return SpanRows(np.array([span]), position, *(np.array([x]) for x in (low, high, price)))


@pytest.mark.parametrize("loop", [True, False])
def test_a_hard_landing_at_a_knot_is_kept_to_the_point(loop: bool) -> None:
    extended = solve(still(loop, rows=one_row(20, 80.0, 80.0, np.inf))).extended
    assert extended[20:23] @ [1 / 6, 4 / 6, 1 / 6] == pytest.approx(80.0, abs=1e-5)


def test_a_priced_row_that_cannot_be_kept_is_missed_and_a_dear_one_misses_least() -> None:
    """2 000 LSB are out of the box; a price so small that moving does not pay moves nothing much."""
    cheap, dear = (solve(still(False, rows=one_row(20, 2000.0, np.inf, p))).extended for p in (1e-6, 1e9))
    assert np.abs(cheap).max() < 0.01
    assert dear[20:23] @ [1 / 6, 4 / 6, 1 / 6] == pytest.approx(300.0, abs=0.01)


@pytest.mark.parametrize(
    ("span", "low", "high"),
    [(20, 400.0, np.inf), (2, 250.0, np.inf), (20, 50.0, -50.0), (20, -np.inf, -301.0)],
)
def test_hard_rows_that_contradict_are_named(span: int, low: float, high: float) -> None:
    wide = one_row(30, -200.0, 200.0, np.inf)
    rows = SpanRows(
        *(
            np.concatenate([getattr(one_row(span, low, high, np.inf), field), getattr(wide, field)])
            for field in ("span", "coefficients", "low", "high", "price")
        )
    )
    with pytest.raises(NoConvergenceError) as caught:
        solve(still(False, rows=rows))
    assert (caught.value.order, caught.value.row) == (FURTHER, 0)


def test_rows_on_fixed_points_alone_and_free_of_charge_change_nothing() -> None:
    plain = solve(still(False)).extended
    for rows in (one_row(0, 50.0, 60.0, np.inf), one_row(20, 50.0, 60.0, 0.0)):
        np.testing.assert_allclose(solve(still(False, rows=rows)).extended, plain, atol=1e-6)


def test_a_row_that_no_motion_keeps_is_refused_in_words(make) -> None:
    spec = make.spec()
    far = one_row(20, float(spec.high + 50), np.inf, np.inf)
    with pytest.raises(PlanError, match=r"track turn, scene lift.*2\.46 s"):
        plan_track(spec, np.zeros(6001), "lift", False, 6.0, rows=far)
