"""What FORMAT.md makes every track of a show play in every transition, without the compiled core."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.tables.model import SceneRecord, Transition
from sequencer.tables.transitions import TransitionTable
from sequencer.tables.worst import Worst, joined
from tests.tables import fade_oracle


@dataclass(frozen=True)
class Oracle:
    """A show's tracks, plans and scenes; a track that a scene does not touch is at rest."""

    specs: Mapping[str, TrackSpec]
    plans: Mapping[str, Mapping[str, TrackPlan]]
    scenes: Sequence[SceneRecord]

    def plan(self, scene: str, track: str) -> TrackPlan:
        found = self.plans[scene].get(track)
        if found is not None:
            return found
        spec = self.specs[track]
        record = next(item for item in self.scenes if item.name == scene)
        knots = record.frames // spec.knot_frames + (0 if record.loop else 3)
        return TrackPlan(spec, scene, record.loop, np.full(knots, spec.rest, dtype=np.int64), 0.0, 0)

    def settling(self, track: str, frames: int) -> Worst:
        spec = self.specs[track]
        return fade_oracle.worst(fade_oracle.settling(spec, np.arange(spec.low, spec.high + 1), frames))

    def parking(self, track: str, frames: int) -> Worst:
        """The settling of a track that rests where this one is parked."""
        spec = replace(self.specs[track], rest=self.specs[track].parked)
        return fade_oracle.worst(fade_oracle.settling(spec, np.arange(spec.low, spec.high + 1), frames))

    def stopping(self, track: str, frames: int) -> Worst:
        plans = [self.plan(scene.name, track) for scene in self.scenes]
        return joined([fade_oracle.worst(fade_oracle.stopping(plan, frames)) for plan in plans])

    def entering(self, loop: str, track: str, frames: int) -> Worst:
        return fade_oracle.worst(fade_oracle.entering(self.plan(loop, track), frames))

    def leaving(self, loop: str, to: str | None, track: str, item: Transition, fade_in: int) -> Worst:
        entered = None if to is None else self.plan(to, track)
        left = self.plan(loop, track)
        return fade_oracle.worst(
            fade_oracle.leaving(left, entered, item.fade_frames, item.delay_frames, fade_in)
        )

    def proof(self, label: str, track: str, table: TransitionTable) -> Worst:
        """What a proof of the table has to hold."""
        if label == "settle":
            return self.settling(track, table.settle_frames)
        if label == "park":
            assert table.park_frames is not None
            return self.parking(track, table.park_frames)
        if label == "stop":
            return self.stopping(track, table.stop_frames)
        left, to = label.split("->")
        if left == "rest":
            return self.entering(to, track, table.fade_in[to])
        entered = None if to == "rest" else to
        return self.leaving(left, entered, track, table.rows[left][entered], table.fade_in.get(to, 0))

    # ---- whether every track keeps its bounds ------------------------------------------------

    def settles(self, frames: int) -> bool:
        return all(self.settling(name, frames).within(spec) for name, spec in self.specs.items())

    def parks(self, frames: int) -> bool:
        return all(self.parking(name, frames).within(spec) for name, spec in self.specs.items())

    def stops(self, frames: int) -> bool:
        return all(self.stopping(name, frames).within(spec) for name, spec in self.specs.items())

    def enters(self, loop: str, frames: int) -> bool:
        return all(self.entering(loop, name, frames).within(spec) for name, spec in self.specs.items())

    def leaves(self, loop: str, to: str | None, item: Transition, fade_in: int) -> bool:
        return all(
            self.leaving(loop, to, name, item, fade_in).within(spec) for name, spec in self.specs.items()
        )

    def clear(self, to: str | None, item: Transition) -> bool:
        """Whether the fade is over 12 frames before the scene ends."""
        record = next((scene for scene in self.scenes if scene.name == to), None)
        return record is None or record.loop or item.fade_frames + 12 <= item.delay_frames + record.frames


def quicker(item: Transition, longest: int) -> list[Transition]:
    """Every (delay, fade) that is preferred to ``item``."""
    return [
        Transition(fade, delay)
        for delay in range(0, item.delay_frames + 6, 6)
        for fade in range(6, longest + 6, 6)
        if (delay, fade) < (item.delay_frames, item.fade_frames)
    ]


def assert_quickest(oracle: Oracle, table: TransitionTable, longest: int) -> None:
    """Nothing shorter than what the table chose keeps every track's bounds."""
    assert oracle.settles(table.settle_frames)
    assert not any(oracle.settles(frames) for frames in range(6, table.settle_frames, 6))
    assert table.park_frames is not None
    assert oracle.parks(table.park_frames)
    assert not any(oracle.parks(frames) for frames in range(6, table.park_frames, 6))
    assert oracle.stops(table.stop_frames)
    assert not any(oracle.stops(frames) for frames in range(6, table.stop_frames, 6))
    for loop, fade_in in table.fade_in.items():
        assert oracle.enters(loop, fade_in)
        assert not any(oracle.enters(loop, frames) for frames in range(6, fade_in, 6))
    for loop, row in table.rows.items():
        for to, item in row.items():
            in_frames = table.fade_in.get(to or "", 0)
            assert oracle.clear(to, item)
            assert oracle.leaves(loop, to, item, in_frames), (loop, to, item)
            for other in quicker(item, longest):
                refused = not oracle.clear(to, other) or not oracle.leaves(loop, to, other, in_frames)
                assert refused, (loop, to, other)
