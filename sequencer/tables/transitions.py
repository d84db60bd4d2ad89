"""The quickest transitions that are proven: every moment of every loop into every scene, stops and settling.

The search enumerates, in the player's own integers (:mod:`.fades`), what each candidate would make
every track play, and takes the first candidate whose every difference keeps the certified bounds. The
compiled player is asked afterwards, through :class:`Prover`, and must find the same worst values.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sequencer.errors import Fault, PlanError
from sequencer.motion.certificate import merge
from sequencer.motion.model import (
    Certificate,
    PositionQuantity,
    Quantity,
    TrackCertificate,
    TrackPlan,
    TrackSpec,
)
from sequencer.tables import fades
from sequencer.tables.fades import Worst
from sequencer.tables.model import COMMON_FRAMES, Transition

#: No transition may take longer than this many frames (6 s).
LONGEST_FRAMES = 300
#: A fade must be over this many frames before the scene it enters ends, so that two fades never meet.
CLEAR_FRAMES = 2 * COMMON_FRAMES

#: The plans of a show: scene -> track -> plan, tracks in the image's order.
Plans = Mapping[str, Mapping[str, TrackPlan]]


class Prover(Protocol):
    """The compiled player, asked for the worst of every track (in the image's order)."""

    def prove_leaving(
        self, loop: int, scene: int, fade_frames: int, delay_frames: int
    ) -> Sequence[Worst]:  # pragma: no cover - a protocol
        """From every common knot of a loop into a scene (255: to rest)."""
        ...

    def prove_entering(self, loop: int, fade_in_frames: int) -> Sequence[Worst]:  # pragma: no cover
        """From rest into phase 0 of a loop."""
        ...

    def prove_stopping(self, scene: int, stop_frames: int) -> Sequence[Worst]:  # pragma: no cover
        """The stored stop from every common knot of a scene."""
        ...


@dataclass(frozen=True)
class Proof:
    """What one kind of transition makes one track play at worst; ``label`` as in ``idle->greet``."""

    label: str
    track: str
    worst: Worst


@dataclass(frozen=True)
class TransitionTable:
    """The chosen transitions and their proofs.

    ``fade_in`` maps loops to frames; ``rows`` maps a loop to the transition into each scene, None for rest.
    """

    settle_frames: int
    stop_frames: int
    fade_in: Mapping[str, int]
    rows: Mapping[str, Mapping[str | None, Transition]]
    proofs: tuple[Proof, ...]

    @property
    def longest_frames(self) -> int:
        """The longest that a loop takes to give way: fade or delay, whichever ends later."""
        every = [max(t.fade_frames, t.delay_frames) for row in self.rows.values() for t in row.values()]
        return max(every, default=0)


def choose_transitions(
    specs: Mapping[str, TrackSpec], plans: Plans, loops: Collection[str] | None = None
) -> TransitionTable:
    """The smallest settle, stop and fade-in times and (delay, fade) pairs that are proven.

    Args:
        specs: every track, in the image's order.
        plans: scene -> track -> plan, scenes in the image's order.
        loops: which scenes loop; by default those whose plans do (a loop may have lamps only).

    Returns:
        The table; its ``proofs`` hold the worst value of each track in each kind of transition.

    Raises:
        PlanError: nothing within 6 s keeps the limits; names track, quantity, value and limit.
    """
    search = _Search(specs, plans)
    settle = search.settle()
    stop = search.stop()
    if loops is None:
        loops = {scene for scene, tracks in plans.items() if any(plan.loop for plan in tracks.values())}
    in_order = [scene for scene in plans if scene in loops]
    fade_in = {loop: search.fade_in(loop) for loop in in_order}
    rows = {
        loop: {scene: search.leave(loop, scene, fade_in) for scene in (*plans, None)} for loop in in_order
    }
    return TransitionTable(settle, stop, fade_in, rows, tuple(search.proofs))


class _Search:
    """Candidates in order, each proven for all tracks; remembers the proofs of those it took."""

    def __init__(self, specs: Mapping[str, TrackSpec], plans: Plans) -> None:
        self.specs = specs
        self.plans = plans
        self.proofs: list[Proof] = []

    def first(
        self,
        label: str,
        candidates: Iterable[Transition],
        points: Callable[[str, Transition], list[fades.Points]],
        remedy: str,
    ) -> Transition:
        """The first candidate that keeps every track's bounds; ``points`` gives what a track would play."""
        order = list(self.specs)
        failed: tuple[str, Worst] | None = None
        for candidate in candidates:
            found: dict[str, Worst] = {}
            for track in tuple(order):
                parts = [fades.worst(item) for item in points(track, candidate)]
                if not parts:
                    continue
                found[track] = _joined(parts)
                if not found[track].within(self.specs[track]):
                    failed = (track, found[track])
                    order.remove(track)
                    order.insert(0, track)  # the track that refuses one candidate likely refuses the next
                    break
            else:
                self.proofs += [Proof(label, track, found[track]) for track in self.specs if track in found]
                return candidate
        raise _no_transition(label, self.specs, failed, remedy)

    def settle(self) -> int:
        """Frames of the rest-to-rest profile, proven from every value between the tracks' bounds."""

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            spec = self.specs[track]
            ends = np.array([spec.low, spec.high], dtype=np.int64)
            far = fades.settling(spec, ends, candidate.fade_frames)
            if not fades.worst(far).within(spec):
                return [far]  # the far ends fail already
            starts = np.arange(spec.low, spec.high + 1, dtype=np.int64)
            return [fades.settling(spec, starts, candidate.fade_frames)]

        remedy = "bring the parked pose nearer to home, or give the axis a stronger servo"
        return self.first("settle", _fades(), points, remedy).fade_frames

    def stop(self) -> int:
        """Frames of the stored stop, proven from every common knot of every scene."""

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            found = [tracks[track] for tracks in self.plans.values() if track in tracks]
            return [fades.stopping(plan, candidate.fade_frames) for plan in found]

        return self.first("stop", _fades(), points, "make the scene's moves smaller or slower").fade_frames

    def fade_in(self, loop: str) -> int:
        """Frames of the fade from rest into a loop's phase 0."""

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            plan = self.plans[loop].get(track)
            return [] if plan is None else [fades.entering(plan, candidate.fade_frames)]

        remedy = f"let {loop} begin nearer to home and more slowly"
        return self.first(f"rest->{loop}", _fades(), points, remedy).fade_frames

    def leave(self, loop: str, scene: str | None, fade_in: Mapping[str, int]) -> Transition:
        """The quickest transition from every common knot of a loop into a scene or to rest."""
        alone = self.quickest_fade(loop)
        entered = self.plans[scene] if scene is not None else {}
        in_frames = fade_in.get(scene, 0) if scene is not None else 0

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            left = self.plans[loop].get(track)
            coming = entered.get(track)
            fade, delay = candidate.fade_frames, candidate.delay_frames
            if left is None:
                return [] if coming is None or not coming.loop else [fades.entering(coming, in_frames)]
            return [fades.leaving(left, coming, fade, delay, in_frames)]

        ends = LONGEST_FRAMES if scene is None or scene in fade_in else _frames(entered)
        candidates = (
            Transition(fade, delay)
            for delay in range(0, LONGEST_FRAMES + 1, COMMON_FRAMES)
            for fade in range(alone, LONGEST_FRAMES + 1, COMMON_FRAMES)
            if scene is None or scene in fade_in or fade + CLEAR_FRAMES <= delay + ends
        )
        remedy = f"make {loop} calmer: smaller or slower moves"
        return self.first(f"{loop}->{scene or 'rest'}", candidates, points, remedy)

    def quickest_fade(self, loop: str) -> int:
        """The shortest fade of a loop alone; entering something meanwhile cannot make it shorter."""
        trial = _Search(self.specs, self.plans)

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            plan = self.plans[loop].get(track)
            return [] if plan is None else [fades.leaving(plan, None, candidate.fade_frames, 0, 0)]

        return trial.first(f"{loop}->rest", _fades(), points, f"make {loop} calmer").fade_frames


def _fades() -> Iterable[Transition]:
    return (Transition(n, 0) for n in range(COMMON_FRAMES, LONGEST_FRAMES + 1, COMMON_FRAMES))


def _frames(tracks: Mapping[str, TrackPlan]) -> int:
    """A scene's length; a scene without tracks is in nobody's way."""
    return min(
        ((len(plan.points) - 3) * plan.spec.knot_frames for plan in tracks.values()),
        default=LONGEST_FRAMES * 2,
    )


def _joined(parts: Sequence[Worst]) -> Worst:
    return Worst(
        min(p.low for p in parts),
        max(p.high for p in parts),
        max(p.d1 for p in parts),
        max(p.d2 for p in parts),
        max(p.d3 for p in parts),
    )


def _no_transition(
    label: str, specs: Mapping[str, TrackSpec], failed: tuple[str, Worst] | None, remedy: str
) -> PlanError:
    if failed is None:
        return PlanError(Fault(f"no transition {label} is possible", remedy=remedy))
    track, found = failed
    spec = specs[track]
    lines = [
        ("position", found.low, spec.low, found.low < spec.low),
        ("position", found.high, spec.high, found.high > spec.high),
        ("velocity", found.d1, spec.bounds[0], found.d1 > spec.bounds[0]),
        ("acceleration", found.d2, spec.bounds[1], found.d2 > spec.bounds[1]),
        ("jerk", found.d3, spec.bounds[2], found.d3 > spec.bounds[2]),
    ]
    quantity, value, limit, _ = next(line for line in lines if line[3])
    seconds = LONGEST_FRAMES * spec.frame_us * 1e-6
    return PlanError(
        Fault(
            f"no transition {label} within {seconds:g} s keeps {track} within its limits",
            quantity=f"{quantity} of {track}",
            value=f"{value} units",
            limit=f"{limit} units",
            remedy=remedy,
        )
    )


def parked_within(spec: TrackSpec) -> int:
    """Where the player's first pulse stands: the parked value, brought inside the track's bounds."""
    return min(max(spec.parked, spec.low), spec.high)


def with_transitions(
    certificate: Certificate, specs: Mapping[str, TrackSpec], table: TransitionTable
) -> Certificate:
    """The certificate of the scenes, worsened where a transition comes nearer to a bound."""
    merged = dict(certificate)
    for proof in table.proofs:
        have = merged.get(proof.track)
        new = _as_certificate(proof, specs[proof.track])
        merged[proof.track] = new if have is None else merge([have, new])
    return merged


def _as_certificate(proof: Proof, spec: TrackSpec) -> TrackCertificate:
    found, label = proof.worst, proof.label
    return TrackCertificate(
        track=proof.track,
        position=PositionQuantity(found.low, spec.low, found.high, spec.high, label),
        velocity=Quantity(found.d1, spec.bounds[0], label),
        acceleration=Quantity(found.d2, spec.bounds[1], label),
        jerk=Quantity(found.d3, spec.bounds[2], label),
    )
