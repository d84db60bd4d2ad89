"""Whether the compiled loops are there, when using them pays, and a problem as the arrays they want.

They come with the extra ``fast`` (numba). Loading what was compiled costs as long as the array form needs
for :data:`LOADING_POINTS`; compiling, once a machine and number of tracks, for :data:`COMPILING_POINTS`. So
either is done once this process has solved that much, or by ``python -m sequencer.motion.fast``: never much
later than would have been best. Numbers are the same either way.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from sequencer.motion.ends import SHORTEST_BORDERED
from sequencer.motion.problem import JointProblem, Problem, TrackProblem
from sequencer.motion.rows import Rows
from sequencer.motion.settings import GAP_ABSOLUTE
from sequencer.motion.spline import Floats

#: So many free points are solved by arrays in the time that loading, or compiling, takes.
LOADING_POINTS = 150_000
COMPILING_POINTS = 5_000_000
#: Smaller problems have nothing to gain, and the compiled loops no case for them.
FEWEST_SPANS = 2 * SHORTEST_BORDERED

Run = Callable[..., tuple[bool, Floats, Floats, int, float, float]]


@dataclass(frozen=True)
class Answer:
    """What iterating came to: points measured from the middles, proven excess in the scaled objective.

    Without success ``violation`` and ``prices`` (of each row, both sides together) are the last ones.
    """

    accepted: bool
    extended: Floats
    iterations: int
    excess: float
    violation: float = 0.0
    prices: Floats = field(default_factory=lambda: np.zeros(0))


class Loops:
    """The compiled loops of this process: none until they pay or are asked for."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._solved = 0
        self._run: Run | None = None
        self._folder: Path | None = None
        self._missing = False
        self._ready: set[int] = set()

    def for_problem(self, problem: Problem) -> Run | None:
        """The loops, when they are there and pay for ``problem``; None otherwise."""
        tracks = len(problem.parts)
        if self._missing or problem.spans < FEWEST_SPANS:
            return None
        if tracks not in self._ready:
            self._solved += problem.spans * tracks
            if self._solved < LOADING_POINTS:
                return None
            folder = compiled_folder()
            made = folder is not None and _mark(folder, tracks).is_file()
            if not (made or self._solved >= COMPILING_POINTS) or not self.prepare(tracks):
                return None
        return self._run

    def prepare(self, tracks: int) -> bool:
        """Load or compile the loops for problems of so many tracks now; whether they are there."""
        with self._lock:
            if self._run is None and not self._missing:
                self._folder = compiled_folder()
                self._run = None if self._folder is None else _load(self._folder)
                self._missing = self._run is None
            if self._run is None or self._folder is None:
                return False
            if tracks not in self._ready:
                part = TrackProblem(np.zeros(FEWEST_SPANS + 1), 1, -1.0, 1.0, (1.0, 1.0, 1.0))
                weight = np.broadcast_to(np.eye(tracks), (FEWEST_SPANS, tracks, tracks))
                problem = part if tracks == 1 else JointProblem((part,) * tracks, weight)
                run_compiled(
                    self._run, problem, Rows(problem), 1.0, 1.0, np.zeros((FEWEST_SPANS + 3) * tracks)
                )
                self._ready.add(tracks)
                with contextlib.suppress(OSError):
                    _mark(self._folder, tracks).touch()
            return True


#: Those that :func:`.interior.solve` asks.
LOOPS = Loops()


def compiled_folder() -> Path | None:
    """Where the compiled loops are kept; None without numba or without a folder for caches.

    The name stands for every line compiled: numba itself does not look at what is called from other files.
    """
    # Not above: the cache asks the solver.
    from sequencer.motion.cache import cache_folder

    folder = cache_folder()
    if folder is None or importlib.util.find_spec("numba") is None:
        return None
    known = hashlib.blake2b(digest_size=8)
    here = Path(__file__).parent
    for file in sorted([*here.glob("compiled*.py"), here / "settings.py"]):
        known.update(file.read_bytes())
    return folder / f"compiled-{known.hexdigest()}"


def _mark(folder: Path, tracks: int) -> Path:
    """The file that says that the loops for so many tracks have been compiled."""
    return folder / f"{tracks}.done"


def _load(folder: Path) -> Run | None:
    import numba

    config: Any = numba.config
    before = config.CACHE_DIR
    config.CACHE_DIR = str(folder)
    try:
        from sequencer.motion.compiled import run
    except RuntimeError:  # there is no place to write to
        return None
    finally:
        config.CACHE_DIR = before
    result: Run = run
    return result


def run_compiled(
    run: Run, problem: Problem, rows: Rows, scale: float, smallest: float, extended: Floats
) -> Answer:
    """Iterate by the compiled loops from ``extended`` on.

    ``smallest`` is the least eigenvalue of the scaled quadratic form.
    """
    tracks, pad = rows.tracks, 3 * rows.tracks
    length, faces = len(extended) + pad, len(rows.faces)
    blocks = [(m * length + pad + rows.firsts[m], m * length + pad + rows.points) for m in range(4)]
    first, spans = rows.firsts[0] // tracks, problem.spans
    blocks += [(4 * length + f * spans + first, 4 * length + (f + 1) * spans) for f in range(faces)]
    count = 4 * length + faces * spans
    limit = [np.ones(count)]
    offset = [np.zeros(0), *(np.full(spans, face[2]) for face in rows.faces)]
    span, coefficients, fine = np.zeros(0, np.int64), np.zeros((0, 4 * tracks)), np.zeros(0)
    if rows.further is not None:
        further = rows.further
        offset.append(further.offset)
        limit.append(further.limit)
        span, coefficients, fine = further.span, further.coefficients, 0.5 * scale * further.price
        blocks.append((count, count + further.hard))
        count += len(further)
    accepted, points, price, iterations, excess, violation = run(
        np.ascontiguousarray(problem.gram * scale),
        problem.centred_moments * scale,
        problem.centred_square * scale,
        GAP_ABSOLUTE * scale * spans,
        1.0 / smallest,
        extended.copy(),
        problem.loop,
        rows.per_track,
        np.array([face[:2] for face in rows.faces], np.float64).reshape(faces, 2),
        np.array(span, np.int64),
        np.array(coefficients, np.float64, order="C"),
        np.concatenate(offset),
        np.concatenate(limit),
        fine,
        np.array(blocks, np.int64),
        np.zeros((2, count)),
    )
    total = price[0] + price[1]
    prices = np.concatenate([*(total[start:stop] for start, stop in blocks), total[count - len(fine) :]])
    return Answer(accepted, points, iterations, excess, violation, prices)


if __name__ == "__main__":
    for number in (1, 2):
        print(
            f"{number} together: {'ready' if LOOPS.prepare(number) else 'numba or a cache folder is missing'}"
        )
