"""Remembered answers: only for the very same question, only whole entries, never in the way."""

from __future__ import annotations

import dataclasses
import math
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.motion import cache
from sequencer.motion.cache import PlanMemory, PlanStore, cache_folder, problem_key
from sequencer.motion.interior import Solution, solve
from sequencer.motion.pair import joint_problem, pose_weight
from sequencer.motion.plan import plan_track, track_problem
from sequencer.motion.problem import Problem, SpanRows, TrackProblem
from tests.motion.conftest import Make
from tests.motion.made_pair import Bent

MAKE = Make()
SPEC = MAKE.spec()


def problem(seed: int = 1, duration_s: float = 12.0) -> TrackProblem:
    return track_problem(SPEC, MAKE.steps_wish(seed, duration_s, 40.0), "scene", False, duration_s)


class Counted:
    """Counts how often the real solver is asked."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.times = 0
        monkeypatch.setattr(cache, "solve", self._solve)

    def _solve(self, asked: Problem) -> Solution:
        self.times += 1
        return solve(asked)


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    return Counted(monkeypatch)


def entries(folder: Path) -> list[Path]:
    return sorted((folder / "plans").glob("*"))


def test_the_same_question_is_answered_from_disk(tmp_path: Path, counted: Counted) -> None:
    first = PlanMemory(tmp_path).solver("scene turn")(problem())
    again = PlanMemory(tmp_path).solver("another place")(problem())
    assert counted.times == 1
    assert np.array_equal(first.extended, again.extended)
    assert (first.objective, first.gap, first.iterations) == (again.objective, again.gap, again.iterations)


def variants() -> Iterator[TrackProblem]:
    """Everything that a programme holds, each changed by the least that can matter."""
    base = problem()
    wish = base.wish.copy()
    wish[5000] = np.nextafter(wish[5000], np.inf)
    rows = SpanRows(np.array([3]), np.ones((1, 4)), np.array([-1e6]), np.array([1e6]), np.array([np.inf]))
    weight = np.ones(base.spans * base.steps)
    yield base
    yield dataclasses.replace(base, wish=wish)
    yield dataclasses.replace(base, low=np.nextafter(base.low, 0.0).item())
    yield dataclasses.replace(base, high=np.nextafter(base.high, 0.0).item())
    for order in range(3):
        bounds = list(base.bounds)
        bounds[order] = math.nextafter(bounds[order], 0.0)
        yield dataclasses.replace(base, bounds=tuple(bounds))
    yield dataclasses.replace(base, head=None, tail=None)
    yield dataclasses.replace(base, head=(0.0, 0.0, math.nextafter(0.0, 1.0)))
    yield dataclasses.replace(base, tail=(0.0, 0.0, math.nextafter(0.0, 1.0)))
    yield dataclasses.replace(base, jerk_weight=1e-9)
    yield dataclasses.replace(base, weight=weight)
    yield dataclasses.replace(base, weight=np.nextafter(weight, 2.0))
    yield dataclasses.replace(base, rows=rows)
    for field in ("span", "coefficients", "low", "high", "price"):
        value = getattr(rows, field)
        other = 2.0 if field == "price" else value + 1
        yield dataclasses.replace(base, rows=dataclasses.replace(rows, **{field: np.full_like(value, other)}))


def test_whatever_changes_the_answer_changes_the_key() -> None:
    keys = [problem_key(each) for each in variants()]
    assert len(set(keys)) == len(keys)
    assert problem_key(problem()) == keys[0]


def test_steps_change_the_key_at_one_length() -> None:
    base = problem()
    assert problem_key(base) != problem_key(dataclasses.replace(base, steps=base.steps // 2))


def test_a_pairs_weight_and_faces_change_the_key() -> None:
    one, other, pair = Bent().specs()
    pose = np.radians(10.0) * np.sin(np.arange(12_001)[:, None] / 700.0) * [1.0, 0.5]
    weight = pose_weight(Bent().jacobian(pose))
    base, _ = joint_problem(pair, (one, other), pose, weight, "scene", True, 12.0)
    face = dataclasses.replace(base.faces[0], limit=math.nextafter(base.faces[0].limit, 0.0))
    heavier = base.weight.copy()
    heavier[77, 0, 1] = np.nextafter(heavier[77, 0, 1], np.inf)
    every = [
        base,
        dataclasses.replace(base, faces=(face, *base.faces[1:])),
        dataclasses.replace(base, faces=base.faces[1:]),
        dataclasses.replace(base, weight=heavier),
        dataclasses.replace(base, parts=base.parts[::-1]),
    ]
    assert len({problem_key(each) for each in every}) == len(every)


def test_a_new_version_of_the_planner_asks_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    before = problem_key(problem())
    with monkeypatch.context() as patch:
        patch.setattr(cache, "_planner", lambda: b"another planner")
        assert problem_key(problem()) != before
    cache._planner.cache_clear()
    with monkeypatch.context() as patch:
        patch.setattr("sequencer.__version__", "9.9")
        assert problem_key(problem()) != before
    cache._planner.cache_clear()
    assert problem_key(problem()) == before


def test_what_cannot_be_named_is_not_guessed() -> None:
    with pytest.raises(TypeError, match="list cannot be named"):
        problem_key(dataclasses.replace(problem(), bounds=[1.0, 1.0, 1.0]))  # type: ignore[arg-type]


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_damaged_entry_is_no_entry(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    store, answer = PlanStore(folder), Solution(np.arange(20.0), 3.0, 1e-9, 12)
    store.write("key", answer)
    (file,) = entries(folder)
    whole = file.read_bytes()
    kind = data.draw(st.sampled_from(["cut", "flipped", "longer", "foreign"]))
    if kind == "cut":
        file.write_bytes(whole[: data.draw(st.integers(0, len(whole) - 1))])
    elif kind == "flipped":
        at = data.draw(st.integers(0, len(whole) - 1))
        flipped = bytes([whole[at] ^ data.draw(st.integers(1, 255))])
        file.write_bytes(whole[:at] + flipped + whole[at + 1 :])
    elif kind == "longer":
        file.write_bytes(whole + data.draw(st.binary(min_size=1, max_size=9)))
    else:
        file.write_bytes(data.draw(st.binary(max_size=300)))
    assert store.read("key") is None


def test_an_entry_under_another_name_is_no_entry(tmp_path: Path) -> None:
    store = PlanStore(tmp_path)
    store.write("one", Solution(np.arange(20.0), 3.0, 1e-9, 12))
    (file,) = entries(tmp_path)
    file.rename(file.with_name("two.plan"))
    assert store.read("two") is None


def test_an_entry_that_breaks_limits_is_solved_again(tmp_path: Path, counted: Counted) -> None:
    """Well formed, under the right name, and wrong: nobody writes such a thing, and still it never passes."""
    asked = problem()
    right = solve(asked)
    wrong = right.extended.copy()
    wrong[50] += 300.0
    PlanStore(tmp_path).write(problem_key(asked), dataclasses.replace(right, extended=wrong))
    wish = MAKE.steps_wish(1, 12.0, 40.0)
    plan = plan_track(SPEC, wish, "scene", False, 12.0, solver=PlanMemory(tmp_path).solver("place"))
    assert counted.times == 1
    assert np.array_equal(plan.points, plan_track(SPEC, wish, "scene", False, 12.0).points)


def test_the_folder_may_be_deleted_at_any_time(tmp_path: Path, counted: Counted) -> None:
    memory = PlanMemory(tmp_path)
    memory.solver("place")(problem())
    for file in entries(tmp_path):
        file.unlink()
    (tmp_path / "plans").rmdir()
    memory.solver("place")(problem())
    assert counted.times == 2
    assert entries(tmp_path)


def test_an_unwritable_place_means_no_cache(tmp_path: Path, counted: Counted) -> None:
    place = tmp_path / "file"
    place.write_text("in the way")
    for _ in range(2):
        PlanMemory(place).solver("place")(problem())
    assert counted.times == 2
    assert place.read_text() == "in the way"


def test_old_entries_go_first_and_used_ones_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "SWEEP_EVERY", 1)
    answer = Solution(np.zeros(100), 0.0, 0.0, 1)
    size = len(cache._packed(answer, "a"))
    store = PlanStore(tmp_path, limit_bytes=3 * size)
    for age, key in enumerate("abc"):
        store.write(key, answer)
        os.utime(tmp_path / "plans" / f"{key}.plan", (1000.0 + age, 1000.0 + age))
    assert store.read("a") is not None  # used just now: no longer the oldest
    store.write("d", answer)
    assert {file.stem for file in entries(tmp_path)} == {"a", "c", "d"}


def test_threads_that_write_and_read_at_once_see_whole_entries(tmp_path: Path) -> None:
    answers = {str(n): Solution(np.full(500, float(n)), float(n), 0.0, n) for n in range(8)}
    wrong: list[str] = []

    def work(first: int) -> None:
        store = PlanStore(tmp_path, limit_bytes=20_000)
        for round_ in range(40):
            key = str((first + round_) % len(answers))
            store.write(key, answers[key])
            found = store.read(key)
            if found is not None and found.objective != float(key):
                wrong.append(key)

    workers = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert not wrong
    assert not [file for file in entries(tmp_path) if file.suffix == ".part"]


def test_windows_answer_edits_and_stay_off_the_disk(tmp_path: Path, counted: Counted) -> None:
    memory = PlanMemory(tmp_path, windows=True)
    wish = MAKE.steps_wish(2, 48.0, 30.0)
    changed = wish.copy()
    changed[24_000:24_500] += math.radians(2.0)
    old, new = (track_problem(SPEC, each, "scene", False, 48.0) for each in (wish, changed))
    before = memory.solver("place")(old)
    assert memory.solver("place")(old) is before
    found = memory.solver("place")(new)
    assert counted.times == 1
    assert len(entries(tmp_path)) == 1
    apart = np.abs(found.extended - solve(new).extended).max() / abs(SPEC.value_per_rad)
    assert math.degrees(float(apart)) < 0.01
    assert memory.solver("elsewhere")(new) is not found
    assert counted.times == 2


def test_without_windows_an_edit_is_planned_whole(counted: Counted) -> None:
    memory = PlanMemory()
    wish = MAKE.steps_wish(2, 48.0, 30.0)
    changed = wish.copy()
    changed[24_000:24_500] += math.radians(2.0)
    for each in (wish, changed):
        memory.solver("place")(track_problem(SPEC, each, "scene", False, 48.0))
    assert counted.times == 2


@pytest.mark.parametrize(
    ("platform", "environment", "expected"),
    [
        ("linux", {"QUARTERJACK_CACHE": "/chosen", "XDG_CACHE_HOME": "/xdg"}, "/chosen"),
        ("linux", {"QUARTERJACK_CACHE": ""}, None),
        ("linux", {"XDG_CACHE_HOME": "/xdg"}, "/xdg/quarterjack"),
        ("linux", {"XDG_CACHE_HOME": "relative"}, "/home/me/.cache/quarterjack"),
        ("linux", {}, "/home/me/.cache/quarterjack"),
        ("darwin", {}, "/home/me/.cache/quarterjack"),
        ("win32", {"LOCALAPPDATA": "/local"}, "/local/quarterjack/cache"),
        ("win32", {}, "/home/me/AppData/Local/quarterjack/cache"),
    ],
)
def test_where_the_cache_is(
    monkeypatch: pytest.MonkeyPatch, platform: str, environment: dict[str, str], expected: str | None
) -> None:
    for name in ("QUARTERJACK_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setattr(Path, "home", lambda: Path("/home/me"))
    assert cache_folder() == (None if expected is None else Path(expected))


def test_two_processes_share_one_folder(tmp_path: Path, counted: Counted) -> None:
    code = (
        "from pathlib import Path; from sequencer.motion.cache import PlanMemory\n"
        "from tests.motion.test_motion_cache import problem\n"
        "PlanMemory(Path(__import__('sys').argv[1])).solver('place')(problem())\n"
    )
    root = Path(__file__).parents[2]
    command = [sys.executable, "-c", code, str(tmp_path)]
    running = [subprocess.Popen(command, cwd=root) for _ in range(2)]
    assert [process.wait() for process in running] == [0, 0]
    PlanMemory(tmp_path).solver("place")(problem())
    assert counted.times == 0
    assert len(entries(tmp_path)) == 1
