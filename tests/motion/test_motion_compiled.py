"""The compiled loops: the numbers of the array form, when they are used, and life without them."""

from __future__ import annotations

import dataclasses
import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from sequencer.motion import fast
from sequencer.motion.interior import NoConvergenceError, Solution, solve
from sequencer.motion.problem import JointProblem, Problem, TrackProblem
from sequencer.motion.round import round_points
from sequencer.show import plan_show, read_show

#: One worker compiles, if it has to.
pytestmark = pytest.mark.xdist_group("compiled")


def beside(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


problems = {
    name: beside(name)
    for name in ("test_motion_solver", "test_motion_pair_solver", "test_motion_further_rows")
}


@pytest.fixture(scope="module")
def ready() -> fast.Loops:
    """Loops that are compiled, once, into this user's cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("QUARTERJACK_CACHE", raising=False)
        loops = fast.Loops()
        assert loops.prepare(1), "the tests need numba"
        assert loops.prepare(2)
    return loops


@pytest.fixture
def both(ready, monkeypatch):
    """A function that solves a problem by arrays and by the compiled loops, or gives what either raised."""

    def by(loops: fast.Loops, problem: Problem) -> Solution | NoConvergenceError:
        monkeypatch.setattr("sequencer.motion.interior.LOOPS", loops)
        try:
            return solve(problem)
        except NoConvergenceError as failure:
            return failure

    def run(problem: Problem):
        assert ready.for_problem(problem) is not None
        never = fast.Loops()
        never._missing = True
        return by(never, problem), by(ready, problem)

    monkeypatch.setattr(fast, "FEWEST_SPANS", 8)
    return run


def same(problem: Problem, one: Solution, other: Solution, tolerance: float) -> None:
    reach = max(part.half_range for part in problem.parts)
    np.testing.assert_allclose(one.extended, other.extended, rtol=0.0, atol=tolerance * reach)


@pytest.mark.parametrize("seed", range(30))
def test_a_track_gets_the_same_points(both, seed: int) -> None:
    problem = problems["test_motion_solver"].random_problem(seed)
    if problem.spans >= 8:
        arrays, loops = both(problem)
        same(problem, arrays, loops, 1e-9)
        assert arrays.iterations == loops.iterations
        np.testing.assert_array_equal(round_points(arrays.extended), round_points(loops.extended))


@pytest.mark.parametrize("seed", range(24))
def test_a_pair_with_weight_and_faces_gets_the_same_points(both, seed: int) -> None:
    problem = problems["test_motion_pair_solver"].random_joint(seed)
    if problem.spans >= 8:
        same(problem, *both(problem), 1e-9)


@pytest.mark.parametrize("tracks", [1, 2])
@pytest.mark.parametrize("seed", range(16))
def test_further_rows_get_the_same_cost(both, seed: int, tracks: int) -> None:
    """Prices over nine decades cost digits; the cost is the same to what is wanted of it."""
    rows = problems["test_motion_further_rows"]
    problem = rows.with_rows(seed, tracks)
    if problem.spans >= 8:
        arrays, loops = both(problem)
        same(problem, arrays, loops, 1e-6)
        worst = rows.beyond_hard(problem, problem.rows, loops.extended)
        assert worst <= 1e-5
        costs = [rows.cost(problem, problem.rows, each.extended) for each in (arrays, loops)]
        assert costs[0] == pytest.approx(costs[1], rel=1e-6, abs=1e-4)


def test_what_has_no_solution_is_named_alike(both) -> None:
    problem = TrackProblem(np.zeros(401), 10, -400.0, 400.0, (12.0, 12.0, 12.0), (0.0,) * 3, (300.0,) * 3)
    rows = problems["test_motion_further_rows"]
    beyond = rows.still(False, rows=rows.one_row(20, 400.0, np.inf, np.inf))
    tight = dataclasses.replace(problem, wish=np.zeros(161))
    for each in (beyond, tight):
        arrays, loops = both(each)
        assert isinstance(arrays, NoConvergenceError)
        assert isinstance(loops, NoConvergenceError)
        assert loops.order == arrays.order


def test_ends_that_differ_are_kept(both) -> None:
    """As in a window of a longer plan: three old points on either side."""
    head, tail = (10.0, 14.0, 20.0), (-60.0, -64.0, -66.0)
    problem = TrackProblem(np.zeros(401), 10, -300.0, 300.0, (30.0, 10.0, 6.0), head, tail)
    arrays, loops = both(problem)
    same(problem, arrays, loops, 1e-9)
    np.testing.assert_array_equal(loops.extended[[0, 1, 2, -3, -2, -1]], [*head, *tail])


def small(spans: int, tracks: int = 1) -> Problem:
    part = TrackProblem(np.zeros(spans + 1), 1, -1.0, 1.0, (1.0, 1.0, 1.0))
    if tracks == 1:
        return part
    return JointProblem((part,) * tracks, np.broadcast_to(np.eye(tracks), (spans, tracks, tracks)))


def test_loops_are_loaded_when_as_much_has_been_solved_as_loading_costs(ready, monkeypatch) -> None:
    monkeypatch.delenv("QUARTERJACK_CACHE", raising=False)
    loops = fast.Loops()
    monkeypatch.setattr(fast, "LOADING_POINTS", 250)
    assert loops.for_problem(small(100)) is None
    assert loops.for_problem(small(100)) is None
    assert loops.for_problem(small(100)) is not None
    assert loops.for_problem(small(100)) is not None
    assert loops.for_problem(small(5)) is None  # the loops have no case for it


def test_what_was_never_compiled_waits_for_more(monkeypatch, tmp_path) -> None:
    monkeypatch.setenv("QUARTERJACK_CACHE", str(tmp_path))
    loops = fast.Loops()
    monkeypatch.setattr(fast, "LOADING_POINTS", 0)
    asked: list[int] = []
    monkeypatch.setattr(loops, "prepare", lambda tracks: bool(asked.append(tracks)))
    assert loops.for_problem(small(100)) is None
    assert not asked
    monkeypatch.setattr(fast, "COMPILING_POINTS", 250)
    assert loops.for_problem(small(100, 2)) is None
    assert asked == [2]


@pytest.mark.parametrize("without", ["numba", "folder"])
def test_without_numba_or_a_folder_arrays_do(monkeypatch, without: str) -> None:
    if without == "numba":
        monkeypatch.setitem(sys.modules, "numba", None)
        monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    else:
        monkeypatch.setenv("QUARTERJACK_CACHE", "")
    monkeypatch.setattr(fast, "LOADING_POINTS", 0)
    monkeypatch.setattr(fast, "COMPILING_POINTS", 0)
    loops = fast.Loops()
    assert loops.for_problem(small(100)) is None
    monkeypatch.setattr("sequencer.motion.interior.LOOPS", loops)
    assert solve(small(100)).iterations > 0


def test_the_cache_is_named_by_what_was_compiled(monkeypatch, tmp_path) -> None:
    """numba would not notice a change in a file that is only called."""
    monkeypatch.setenv("QUARTERJACK_CACHE", str(tmp_path))
    for file in Path(fast.__file__).parent.glob("*.py"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    monkeypatch.setattr(fast, "__file__", str(tmp_path / "fast.py"))
    before = fast.compiled_folder()
    (tmp_path / "spline.py").write_text("# not compiled")
    assert fast.compiled_folder() == before
    (tmp_path / "compiled_ends.py").write_text("# changed")
    assert fast.compiled_folder() != before


def test_planning_little_does_not_load_numba() -> None:
    code = (
        "import sys, numpy as np; from sequencer.motion.interior import solve; "
        "from sequencer.motion.problem import TrackProblem; "
        "solve(TrackProblem(np.zeros(401), 10, -1.0, 1.0, (1.0, 1.0, 1.0))); "
        "sys.exit('numba' in sys.modules)"
    )
    root = Path(fast.__file__).parents[2]
    assert subprocess.run([sys.executable, "-c", code], cwd=root, env=os.environ, check=False).returncode == 0


def test_every_scene_of_the_lantern_keeper_gets_the_same_integers(ready, monkeypatch) -> None:
    show = read_show(Path(fast.__file__).parents[2] / "shows" / "lantern_keeper")
    monkeypatch.setenv("QUARTERJACK_CACHE", "")  # what one form has solved is nothing to the other
    never = fast.Loops()
    never._missing = True
    calls = 0

    def counted(*arguments: object) -> fast.Answer:
        nonlocal calls
        calls += 1
        return fast.run_compiled(*arguments)

    monkeypatch.setattr("sequencer.motion.interior.run_compiled", counted)
    plans = []
    for loops in (never, ready):
        monkeypatch.setattr("sequencer.motion.interior.LOOPS", loops)
        plans.append(plan_show(show).plans)
    assert calls >= 3 * len(show.scenes)
    for scene, tracks in plans[0].items():
        for track, plan in tracks.items():
            np.testing.assert_array_equal(plan.points, plans[1][scene][track].points, f"{scene}, {track}")
