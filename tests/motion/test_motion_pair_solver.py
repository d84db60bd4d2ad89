"""The joint programme of a pair: as good as another solver's answer, and what weights do."""

from __future__ import annotations

import dataclasses

import clarabel
import numpy as np
import pytest
import scipy.sparse as sp

from sequencer.motion.interior import NoConvergenceError, solve
from sequencer.motion.problem import Face, JointProblem, TrackProblem
from sequencer.motion.spline import basis
from sequencer.motion.weighted import interval_weights, weighted_gram


def random_joint(seed: int) -> JointProblem:
    """Jumping wishes, weights that turn, bounds and faces that bind; rest ends or a loop, long or short."""
    random = np.random.default_rng(seed)
    spans = int(random.integers(8, 120)) if seed % 4 else int(random.integers(1, 9))
    steps = int(random.choice([1, 10, 20]))
    count = spans * steps + 1
    t = np.arange(count) / steps
    parts = []
    rest = random.uniform(-200.0, 200.0, 2).round()
    for track in range(2):
        half = float(random.uniform(400.0, 2000.0))
        wish = half * random.uniform(-1.3, 1.3, spans + 2)[np.floor(t / random.uniform(2, 9)).astype(int)]
        jerk = float(random.uniform(20.0, 400.0))
        bounds = (jerk * random.uniform(1.0, 9.0), jerk * random.uniform(0.6, 3.0), jerk)
        ends = (float(rest[track]),) * 3 if seed % 2 else None
        parts.append(TrackProblem(wish, steps, -half, half + 10.0, bounds, ends, ends))
    turn = random.uniform(0, 3) + 0.5 * np.sin(t)
    spin = np.stack([np.stack([np.cos(turn), -np.sin(turn)]), np.stack([np.sin(turn), np.cos(turn)])])
    sizes = np.stack([1.0 + 0.5 * np.sin(2.0 * t), np.full_like(t, random.uniform(0.1, 0.9))])
    weight = np.einsum("abn,bn,cbn->nac", spin, sizes, spin)
    faces = []
    for angle in random.uniform(0, 2 * np.pi, 5):
        a, b = np.cos(angle), np.sin(angle)
        faces.append(Face(a, b, float(max(a * rest[0] + b * rest[1], 0.0) + random.uniform(150.0, 900.0))))
    return JointProblem(tuple(parts), interval_weights(weight), tuple(faces))


def dense_form(problem: JointProblem, splits: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """The quadratic form and its linear part by plain quadrature in every grid interval, no bands."""
    spans, steps = problem.spans, problem.parts[0].steps
    size = (spans + 3) * 2
    gram, pull = np.zeros((size, size)), np.zeros(size)
    nodes, weights = np.polynomial.legendre.leggauss(splits + 2)
    for interval in range(spans * steps):
        span, inside = divmod(interval, steps)
        for node, weight in zip((nodes + 1) / 2, weights / 2 / steps, strict=True):
            b = basis(np.array([(inside + node) / steps]))[0]
            rows = np.zeros((2, size))
            for track in range(2):
                rows[track, 2 * span + track : 2 * span + 8 + track : 2] = b
            wish = np.array(
                [(1 - node) * part.wish[interval] + node * part.wish[interval + 1] for part in problem.parts]
            )
            weighed = weight * rows.T @ problem.weight[interval]
            gram += weighed @ rows
            pull += weighed @ wish
    return gram, pull


def by_clarabel(problem: JointProblem, gram: np.ndarray, pull: np.ndarray) -> np.ndarray:
    """The same programme over the free points as sparse matrices, built apart."""
    spans = problem.spans
    size = 2 * (spans + 3)
    if problem.loop:
        place = sp.csc_matrix((np.ones(size), (np.arange(size), np.arange(size) % (2 * spans))))
        fixed = np.zeros(size)
    else:
        free = np.arange(6, 2 * spans)
        place = sp.csc_matrix((np.ones(len(free)), (free, np.arange(len(free)))), (size, len(free)))
        fixed = np.zeros((spans + 3, 2))
        for track, part in enumerate(problem.parts):
            fixed[:3, track], fixed[-3:, track] = part.head, part.tail
        fixed = fixed.ravel()
    rows, limits = [], []
    for track, part in enumerate(problem.parts):
        pick = sp.csr_matrix(
            (np.ones(spans + 3), (np.arange(spans + 3), 2 * np.arange(spans + 3) + track)), (spans + 3, size)
        )
        for low, high in [(part.low, part.high), *((-b, b) for b in part.bounds)]:
            rows += [pick, -pick]
            limits += [np.full(pick.shape[0], high), np.full(pick.shape[0], -low)]
            pick = pick[1:] - pick[:-1]
    for face in problem.faces:
        j = np.arange(spans + 3)
        rows.append(
            sp.csr_matrix((np.repeat([face.a, face.b], spans + 3), (np.tile(j, 2), np.r_[2 * j, 2 * j + 1])))
        )
        limits.append(np.full(spans + 3, face.limit))
    A = sp.csr_matrix(sp.vstack(rows))
    b = np.concatenate(limits) - A @ fixed
    A = sp.csc_matrix(A @ place)
    kept = np.diff(sp.csr_matrix(A).indptr) > 0
    A, b = sp.csc_matrix(sp.csr_matrix(A)[kept]), b[kept]
    P = sp.csc_matrix(sp.triu(2.0 * place.T @ sp.csc_matrix(gram) @ place))
    for matrix in (P, A):
        matrix.sum_duplicates()
        matrix.sort_indices()
    q = 2.0 * (place.T @ (gram @ fixed - pull))
    options = clarabel.DefaultSettings()
    options.verbose = False
    options.tol_gap_abs = options.tol_gap_rel = options.tol_feas = 1e-10
    answer = clarabel.DefaultSolver(P, q, A, b, [clarabel.NonnegativeConeT(len(b))], options).solve()
    return place @ np.array(answer.x) + fixed


def worst_violation(problem: JointProblem, extended: np.ndarray) -> float:
    points = extended.reshape(-1, 2)
    worst = 0.0
    for track, part in enumerate(problem.parts):
        c = points[:, track]
        worst = max(worst, c.max() - part.high, part.low - c.min())
        for order, bound in enumerate(part.bounds, start=1):
            if len(c) > order:
                worst = max(worst, np.abs(np.diff(c, order)).max() - bound)
    return max([worst, *(float((points @ [f.a, f.b]).max()) - f.limit for f in problem.faces)])


@pytest.mark.parametrize("seed", range(24))
def test_as_good_as_clarabel_and_within_every_limit(seed: int) -> None:
    problem = random_joint(seed)
    ours = solve(problem)
    gram, pull = dense_form(problem)
    points = ours.extended
    assert worst_violation(problem, points) <= 1e-5
    if problem.parts[0].unknowns == 0:
        return
    theirs = by_clarabel(problem, gram, pull)

    def value(c: np.ndarray) -> float:
        return float(c @ gram @ c - 2.0 * pull @ c)

    scale = abs(value(theirs)) + problem.spans
    assert abs(value(points) - value(theirs)) <= 1e-6 * scale
    assert ours.objective - problem.objective(theirs) == pytest.approx(
        value(points) - value(theirs), abs=1e-6 * scale
    )


def test_the_random_problems_are_hard_enough() -> None:
    """Faces and differences bind in most of them, else the comparison compares least squares."""
    faces = differences = 0
    for seed in range(24):
        problem = random_joint(seed)
        points = solve(problem).extended.reshape(-1, 2)
        faces += any(np.any(points @ [f.a, f.b] > f.limit - 1e-3) for f in problem.faces)
        differences += any(
            np.any(np.abs(np.diff(points[:, track], order)) > 0.999 * bound)
            for track, part in enumerate(problem.parts)
            for order, bound in enumerate(part.bounds, start=1)
            if len(points) > order
        )
    assert faces >= 12
    assert differences >= 14


def test_without_weight_or_faces_two_tracks_are_planned_as_if_alone() -> None:
    problem = random_joint(9)
    weight = np.broadcast_to(np.eye(2), problem.weight.shape)
    together = solve(JointProblem(problem.parts, weight)).extended.reshape(-1, 2)
    for track, part in enumerate(problem.parts):
        np.testing.assert_allclose(together[:, track], solve(part).extended, atol=0.02)


def test_one_track_with_a_constant_weight_is_the_track_without() -> None:
    part = random_joint(9).parts[0]
    weighed = dataclasses.replace(part, weight=np.full(part.spans * part.steps, 0.37))
    np.testing.assert_allclose(weighed.gram, 0.37 * part.gram, rtol=1e-9)
    np.testing.assert_allclose(solve(weighed).extended, solve(part).extended, atol=0.02)
    assert solve(weighed).objective == pytest.approx(0.37 * solve(part).objective, rel=1e-5)


def test_a_weight_pulls_the_plan_where_it_is_heavy() -> None:
    """A jaw that can't follow: the half of the wish that weighs ten times as much is followed better."""
    t = np.arange(4001) / 4000.0
    wish = 400.0 * np.sign(np.sin(2 * np.pi * 12.0 * t))
    plain = TrackProblem(wish, 20, -500.0, 500.0, (60.0, 30.0, 20.0), (0.0,) * 3, (0.0,) * 3)
    weighed = dataclasses.replace(plain, weight=np.where(np.arange(4000) < 2000, 10.0, 1.0))

    def error(extended: np.ndarray) -> float:
        b = basis(np.arange(20) / 20.0)
        curve = (np.lib.stride_tricks.sliding_window_view(extended, 4) @ b.T).ravel()
        return float(np.mean((curve - wish[:-1])[:2000] ** 2))

    assert error(solve(weighed).extended) < error(solve(plain).extended)


def test_weighted_gram_is_symmetric_positive() -> None:
    problem = random_joint(5)
    gram, _ = dense_form(problem)
    bands = weighted_gram(problem.weight, problem.parts[0].steps)
    for offset, band in enumerate(bands):
        np.testing.assert_allclose(band[: len(gram) - offset], np.diagonal(gram, -offset), atol=1e-12)
    assert np.linalg.eigvalsh(gram)[0] > 0.0


def test_contradicting_faces_do_not_converge() -> None:
    problem = random_joint(9)
    faces = (Face(1.0, 0.0, 50.0), Face(-1.0, 0.0, -90.0))
    with pytest.raises(NoConvergenceError):
        solve(JointProblem(problem.parts, problem.weight, faces))
