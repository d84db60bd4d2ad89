"""An edit of one cue in a scene of three minutes and eight axes, against doing the whole show again.

::

    python tests/benchmarks/edit.py [--quick] [--json]

The show (``edit_show.py``) has a loop, a short scene and the long one. *Full* is a new session's refresh
in a warm interpreter and without the cache on disk; *cached* the same with that cache filled, *unchanged* a
refresh when no file has changed; *edit* a refresh after one cue got another angle. CPU time of this process,
median of the rounds (the first edit is not counted). Stages:

    read      files, and what scenes ask for (parsing, laws, wishes)
    plan      motion within limits
    code      coding, proofs of transitions, certificate, image
    check     playing on the core, loads, findings

The issue's aim is the sum of plan, code and check: a tenth of the full time, 50 ms. Nothing is asserted here.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from sequencer import show as street  # noqa: E402
from sequencer.motion.cache import VARIABLE  # noqa: E402
from sequencer.session import Session  # noqa: E402
from tests.benchmarks.edit_show import edited, write_show  # noqa: E402

T = TypeVar("T")
STAGES = ("read", "plan", "code", "check")


class Stages:
    """CPU seconds by stage, measured around the street's own functions."""

    def __init__(self) -> None:
        self.seconds = dict.fromkeys(STAGES, 0.0)

    def timed(self, stage: str, run: Callable[[], T]) -> T:
        """Run something as a part of a stage."""
        start = time.process_time()
        result = run()
        self.seconds[stage] += time.process_time() - start
        return result

    @property
    def goal(self) -> float:
        """What the issue's aim counts."""
        return sum(self.seconds[stage] for stage in ("plan", "code", "check"))


def refreshed(session: Session) -> Stages:
    """One refresh, stage by stage, as :meth:`Session.refresh` goes through them."""
    stages = Stages()
    names = {"_timeline": "read", "_planned": "plan", "build_planned": "code", "check_built": "check"}
    homes = {name: sys.modules[module] for name, module in _homes(names).items()}
    before = {name: getattr(home, name) for name, home in homes.items()}

    def wrapped(name: str) -> Callable[..., Any]:
        return lambda *given, **named: stages.timed(names[name], lambda: before[name](*given, **named))

    start = time.process_time()
    try:
        for name, home in homes.items():
            setattr(home, name, wrapped(name))
        session.refresh()
    finally:
        for name, home in homes.items():
            setattr(home, name, before[name])
    # What is left is reading files, and a little of everything.
    stages.seconds["read"] += time.process_time() - start - sum(stages.seconds.values())
    return stages


def _homes(names: dict[str, str]) -> dict[str, str]:
    """Where the functions are looked up when a session refreshes."""
    return {name: street.__name__ if name.startswith("_") else Session.__module__ for name in names}


def median(rounds: list[Stages]) -> dict[str, float]:
    """Median of each stage and of their sums, seconds."""
    found = {stage: statistics.median(each.seconds[stage] for each in rounds) for stage in STAGES}
    found["goal"] = statistics.median(each.goal for each in rounds)
    found["all"] = statistics.median(sum(each.seconds.values()) for each in rounds)
    return found


def measured(duration_s: float, rounds: int) -> dict[str, dict[str, float]]:
    """Full, cached, unchanged and edit."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "show"
        write_show(folder, duration_s)
        os.environ[VARIABLE] = ""
        refreshed(Session(folder))  # warm: imports, the grammar, the compiled core
        full = [refreshed(Session(folder)) for _ in range(max(1, rounds // 2))]
        os.environ[VARIABLE] = str(Path(name) / "cache")
        refreshed(Session(folder))
        cached = [refreshed(Session(folder)) for _ in range(max(1, rounds // 2))]
        os.environ[VARIABLE] = ""
        session = Session(folder)
        refreshed(session)
        unchanged = [refreshed(session) for _ in range(rounds)]
        scene = folder / "evening.scene"
        text = scene.read_text(encoding="utf-8")
        edits = []
        for turn in range(rounds + 1):
            at_s = duration_s * (0.2 + 0.6 * turn / (rounds + 1))
            scene.write_text(edited(text, at_s), encoding="utf-8")
            edits.append(refreshed(session))
            scene.write_text(text, encoding="utf-8")
            refreshed(session)
    return {
        "full": median(full),
        "cached": median(cached),
        "unchanged": median(unchanged),
        "edit": median(edits[1:]),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer rounds")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    arguments = parser.parse_args()
    found = measured(180.0, 4 if arguments.quick else 12)
    edit, full = found["edit"], found["full"]
    if arguments.json:
        cases = {
            stage: {
                "ours": edit[stage],
                "peers": {name: case[stage] for name, case in found.items() if name != "edit"},
                "ratio": {name: case[stage] / edit[stage] for name, case in found.items() if name != "edit"},
            }
            for stage in (*STAGES, "goal", "all")
        }
        print(json.dumps(cases))
        return
    print(f"{'ms of CPU':<12}{'full':>10}{'cached':>10}{'unchanged':>12}{'edit':>10}{'full / edit':>13}")
    titles = {"goal": "plan..check", "all": "all"}
    for stage in (*STAGES, "goal", "all"):
        row = "".join(
            f"{found[case][stage] * 1e3:>{width}.1f}"
            for case, width in (("full", 10), ("cached", 10), ("unchanged", 12), ("edit", 10))
        )
        print(f"{titles.get(stage, stage):<12}{row}{full[stage] / max(edit[stage], 1e-9):>13.1f}")


if __name__ == "__main__":
    main()
