"""Answers kept on disk by what was asked, and those of this session, from which an edit goes on.

The name of an entry is a hash of everything in the programme that was solved and of the planner's version:
whatever would change the answer changes the name. An entry that is cut short, altered or not ours is no
entry; one that does not keep its programme's limits is none either, and what is planned from it is rounded
and certified like any other answer. Deleting the folder, or a part of it, costs only time.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import hashlib
import importlib.resources
import os
import struct
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import scipy

import sequencer
from sequencer.motion.interior import Solution, solve
from sequencer.motion.plan import Solver
from sequencer.motion.problem import Problem
from sequencer.motion.window import keeps, replan, same

#: Changes when the same programme may get another answer, or entries another form.
FORMAT = 1
#: Entries are dropped, the least recently used first, until they take no more than this many bytes.
LIMIT_BYTES = 64 * 2**20
#: The room is looked after once in so many new entries.
SWEEP_EVERY = 32
#: Where entries are kept, when the environment says so; empty: nowhere.
VARIABLE = "QUARTERJACK_CACHE"

_MAGIC = b"QJplan"
#: Magic, format, iterations, objective, gap, number of points; then the points and a hash of all before it.
_HEAD = struct.Struct("<6sHIddI")
_DIGEST_BYTES = 16
_SUFFIX = ".plan"


def cache_folder() -> Path | None:
    """Where this user's caches are: the environment's choice, else the system's custom; None for nowhere."""
    chosen = os.environ.get(VARIABLE)
    if chosen is not None:
        return Path(chosen) if chosen else None
    with contextlib.suppress(RuntimeError):  # no home
        if sys.platform == "win32":
            local = os.environ.get("LOCALAPPDATA")
            return (Path(local) if local else Path.home() / "AppData" / "Local") / "quarterjack" / "cache"
        base = os.environ.get("XDG_CACHE_HOME")
        # The XDG base directory specification: a relative path is not valid and is ignored.
        usable = base is not None and Path(base).is_absolute()
        return (Path(base) if base and usable else Path.home() / ".cache") / "quarterjack"
    return None


def problem_key(problem: Problem) -> str:
    """The name of everything that ``problem`` says, and of the planner that is to answer it."""
    known = hashlib.blake2b(digest_size=_DIGEST_BYTES)
    known.update(_planner())
    for piece in _pieces(problem):
        known.update(piece)
    return known.hexdigest()


@functools.cache
def _planner() -> bytes:
    """What answers: the version, and every line of the planner, so that no change of it can be forgotten."""
    known = hashlib.blake2b(f"{FORMAT} {sequencer.__version__} {np.__version__} {scipy.__version__}".encode())
    folder = importlib.resources.files("sequencer.motion")
    for file in sorted(folder.iterdir(), key=lambda item: item.name):
        if file.name.endswith(".py"):
            known.update(file.name.encode() + file.read_bytes())
    return known.digest()


def _pieces(value: object) -> Iterator[bytes]:
    """A value as bytes that no other value has: each is told by its type and length."""
    if isinstance(value, np.ndarray):
        yield f"array {value.dtype.str} {value.shape};".encode()
        yield value.tobytes()
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        yield f"{type(value).__name__}(".encode()
        for field in dataclasses.fields(value):
            yield f"{field.name}=".encode()
            yield from _pieces(getattr(value, field.name))
        yield b")"
    elif isinstance(value, tuple):
        yield f"tuple {len(value)}(".encode()
        for item in value:
            yield from _pieces(item)
        yield b")"
    elif value is None or isinstance(value, bool | int | str):
        yield f"{value!r};".encode()
    elif isinstance(value, float):
        yield b"float " + struct.pack("<d", value)
    else:
        raise TypeError(f"a programme that holds a {type(value).__name__} cannot be named")


class PlanStore:
    """Solutions by key in a folder. Nothing here ever fails: what cannot be read or written is not there.

    Several processes may share the folder: entries are written under another name, then renamed.
    """

    def __init__(self, folder: Path, limit_bytes: int = LIMIT_BYTES) -> None:
        self._folder = folder / "plans"
        self._limit = limit_bytes
        self._written = 0

    def read(self, key: str) -> Solution | None:
        """The solution that was kept under this key."""
        file = self._folder / f"{key}{_SUFFIX}"
        try:
            data = file.read_bytes()
            os.utime(file)
        except OSError:
            return None
        return _unpacked(data, key)

    def write(self, key: str, solution: Solution) -> None:
        """Keep a solution."""
        temporary: Path | None = None
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=self._folder)
            temporary = Path(name)
            with os.fdopen(handle, "wb") as out:
                out.write(_packed(solution, key))
            temporary.replace(self._folder / f"{key}{_SUFFIX}")
        except OSError:
            if temporary is not None:
                with contextlib.suppress(OSError):
                    temporary.unlink()
            return
        if self._written % SWEEP_EVERY == 0:
            self._sweep()
        self._written += 1

    def _sweep(self) -> None:
        """Drop the oldest until the rest is small enough; another process may do the same meanwhile."""
        found = []
        with contextlib.suppress(OSError):
            for file in self._folder.iterdir():
                with contextlib.suppress(OSError):
                    known = file.stat()
                    found.append((known.st_mtime, known.st_size, file))
        total = sum(size for _, size, _ in found)
        for _, size, file in sorted(found, key=lambda item: item[0]):
            if total <= self._limit:
                break
            with contextlib.suppress(OSError):
                file.unlink()
            total -= size


def _packed(solution: Solution, key: str) -> bytes:
    points = np.ascontiguousarray(solution.extended, "<f8")
    head = _HEAD.pack(*(_MAGIC, FORMAT, solution.iterations, solution.objective, solution.gap, len(points)))
    body = head + points.tobytes()
    return body + _seal(body, key)


def _unpacked(data: bytes, key: str) -> Solution | None:
    if len(data) < _HEAD.size + _DIGEST_BYTES:
        return None
    body, seal = data[:-_DIGEST_BYTES], data[-_DIGEST_BYTES:]
    magic, version, iterations, objective, gap, count = _HEAD.unpack_from(body)
    if (
        magic != _MAGIC
        or version != FORMAT
        or len(body) != _HEAD.size + 8 * count
        or seal != _seal(body, key)
    ):
        return None
    points = np.frombuffer(body, "<f8", count, _HEAD.size).astype(np.float64)
    return Solution(points, objective, gap, iterations)


def _seal(body: bytes, key: str) -> bytes:
    return hashlib.blake2b(body, digest_size=_DIGEST_BYTES, key=key.encode()).digest()


class PlanMemory:
    """Remembers what was solved: on disk by what was asked, and in this session by where it was asked.

    Args:
        folder: of the disk's entries; None keeps none.
        windows: answer an edited programme near its former answer (:func:`.window.replan`). What is then
            planned depends, by less than 0.01 degree, on what was planned before. So such answers are
            for someone who is trying things out; they are never kept on disk.
    """

    def __init__(self, folder: Path | None = None, *, windows: bool = False) -> None:
        self._store = None if folder is None else PlanStore(folder)
        self._windows = windows
        self._last: dict[str, tuple[Problem, Solution]] = {}

    def solver(self, place: str) -> Solver:
        """A solver for the programmes of one ``place``: a scene's tracks, and which pass over them."""

        def remembered(problem: Problem) -> Solution:
            solution = self._answer(place, problem)
            if self._windows:
                self._last[place] = problem, solution
            return solution

        return remembered

    def _answer(self, place: str, problem: Problem) -> Solution:
        former = self._last.get(place)
        if former is not None and same(problem, former[0]):
            return former[1]
        key = problem_key(problem) if self._store is not None else ""
        kept = self._store.read(key) if self._store is not None else None
        if kept is not None and keeps(problem, kept.extended):
            return kept
        if former is not None:
            found = replan(problem, former[0], former[1].extended)
            if found is not None:
                return found
        solution = solve(problem)
        if self._store is not None:
            self._store.write(key, solution)
        return solution
