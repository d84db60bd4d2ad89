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
from sequencer.tables.model import COMMON_FRAMES, NONE, Transition

#: No transition may take longer than this many frames (6 s).
LONGEST_FRAMES = 300
#: A fade must be over this many frames before the scene it enters ends, so that two fades never meet.
CLEAR_FRAMES = 2 * COMMON_FRAMES

#: Labels of the proofs that belong to no single scene.
SETTLE, STOP = "settle", "stop"

#: The plans of a show: scene -> track -> plan, tracks in the image's order.
Plans = Mapping[str, Mapping[str, TrackPlan]]


class Prover(Protocol):
    """The compiled player, asked for the worst of every track (in the image's order)."""

    def prove_leaving(
        self, loop: int, scene: int, fade_frames: int, delay_frames: int, fade_in_frames: int | None = None
    ) -> Sequence[Worst]:
        """From every common knot of a loop into a scene (255: to rest)."""

    def prove_entering(self, loop: int, fade_in_frames: int) -> Sequence[Worst]:
        """From rest into phase 0 of a loop."""

    def prove_stopping(self, scene: int, stop_frames: int) -> Sequence[Worst]:
        """The stored stop from every common knot of a scene."""

    def prove_settling(self, settle_frames: int) -> Sequence[Worst]:
        """Rest-to-rest from every value between the tracks' bounds."""


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
    if loops is None:
        loops = {scene for scene, tracks in plans.items() if any(plan.loop for plan in tracks.values())}
    search = _Search(specs, plans, loops)
    settle = search.settle()
    stop = search.stop()
    in_order = [scene for scene in plans if scene in loops]
    fade_in = {loop: search.fade_in(loop) for loop in in_order}
    rows = {
        loop: {scene: search.leave(loop, scene, fade_in) for scene in (*plans, None)} for loop in in_order
    }
    return TransitionTable(settle, stop, fade_in, rows, tuple(search.proofs))


class _Search:
    """Candidates in order, each proven for all tracks; remembers the proofs of those it took."""

    def __init__(self, specs: Mapping[str, TrackSpec], plans: Plans, loops: Collection[str]) -> None:
        self.specs = specs
        self.plans = plans
        self.loops = loops
        self.proofs: list[Proof] = []

    def plan(self, scene: str, track: str) -> TrackPlan:
        """The scene's plan of a track; a track that has none stays at rest."""
        found = self.plans[scene].get(track)
        return self.resting(scene, track) if found is None else found

    def resting(self, scene: str, track: str) -> TrackPlan:
        """A common knot of rest, going round or (between rests) for a scene."""
        spec = self.specs[track]
        knots = COMMON_FRAMES // spec.knot_frames
        points = np.full(knots if scene in self.loops else knots + 3, spec.rest, dtype=np.int64)
        return TrackPlan(spec, scene, scene in self.loops, points, 0.0, 0)

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
                found[track] = joined([fades.worst(item) for item in points(track, candidate)])
                if not found[track].within(self.specs[track]):
                    failed = (track, found[track])
                    order.remove(track)
                    order.insert(0, track)  # the track that refuses one candidate likely refuses the next
                    break
            else:
                self.proofs += [Proof(label, track, found[track]) for track in self.specs]
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
        return self.first(SETTLE, _fades(), points, remedy).fade_frames

    def stop(self) -> int:
        """Frames of the stored stop, proven from every common knot of every scene."""

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            return [fades.stopping(self.plan(scene, track), candidate.fade_frames) for scene in self.plans]

        return self.first(STOP, _fades(), points, "make the scene's moves smaller or slower").fade_frames

    def fade_in(self, loop: str) -> int:
        """Frames of the fade from rest into a loop's phase 0."""

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            return [fades.entering(self.plan(loop, track), candidate.fade_frames)]

        remedy = f"let {loop} begin nearer to home and more slowly"
        return self.first(f"rest->{loop}", _fades(), points, remedy).fade_frames

    def leave(self, loop: str, scene: str | None, fade_in: Mapping[str, int]) -> Transition:
        """The quickest transition from every common knot of a loop into a scene or to rest."""
        alone = self.quickest_fade(loop)
        entered = self.plans[scene] if scene is not None else {}
        in_frames = fade_in.get(scene, 0) if scene is not None else 0

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            coming = None if scene is None else self.plan(scene, track)
            fade, delay = candidate.fade_frames, candidate.delay_frames
            return [fades.leaving(self.plan(loop, track), coming, fade, delay, in_frames)]

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
        trial = _Search(self.specs, self.plans, self.loops)

        def points(track: str, candidate: Transition) -> list[fades.Points]:
            return [fades.leaving(self.plan(loop, track), None, candidate.fade_frames, 0, 0)]

        return trial.first(f"{loop}->rest", _fades(), points, f"make {loop} calmer").fade_frames


def _fades() -> Iterable[Transition]:
    return (Transition(n, 0) for n in range(COMMON_FRAMES, LONGEST_FRAMES + 1, COMMON_FRAMES))


def _frames(tracks: Mapping[str, TrackPlan]) -> int:
    """A scene's length; a scene without tracks is in nobody's way."""
    return min(
        ((len(plan.points) - 3) * plan.spec.knot_frames for plan in tracks.values()),
        default=LONGEST_FRAMES * 2,
    )


def joined(parts: Sequence[Worst]) -> Worst:
    """The worst of several."""
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


def confirm_transitions(
    prover: Prover, specs: Mapping[str, TrackSpec], scenes: Sequence[str], table: TransitionTable
) -> None:
    """Ask the compiled player for every transition: it must find exactly what the search proved.

    Args:
        prover: a player that has opened the show's image.
        specs: the tracks, in the image's order.
        scenes: the scenes, in the image's order.
        table: what :func:`choose_transitions` found.

    Raises:
        PlanError: the player plays something else. Then player and compiler are of different versions.
    """
    answers: dict[str, list[Sequence[Worst]]] = {
        SETTLE: [prover.prove_settling(table.settle_frames)],
        STOP: [prover.prove_stopping(number, table.stop_frames) for number in range(len(scenes))],
    }
    for loop, row in table.rows.items():
        number, fade_in = scenes.index(loop), table.fade_in[loop]
        answers[f"rest->{loop}"] = [prover.prove_entering(number, fade_in)]
        for scene, item in row.items():
            entered = NONE if scene is None else scenes.index(scene)
            in_frames = table.fade_in.get(scene, 0) if scene is not None else 0
            answer = prover.prove_leaving(number, entered, item.fade_frames, item.delay_frames, in_frames)
            answers[f"{loop}->{scene or 'rest'}"] = [answer]
    order = list(specs)
    for proof in table.proofs:
        played = joined([worst[order.index(proof.track)] for worst in answers[proof.label]])
        if played != proof.worst:
            raise PlanError(
                Fault(
                    f"the player plays {proof.label} on {proof.track} otherwise than planned",
                    value=str(played),
                    limit=str(proof.worst),
                    remedy="install Quarterjack again: its player and its compiler do not belong together",
                )
            )


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
    low, high = found.low, found.high
    if label == SETTLE:
        # proven from every value that bounds allow, but it begins only where a stop (proven by itself)
        # has ended or where the figure is parked, and stays between there and rest
        low, high = sorted((spec.parked, spec.rest))
    return TrackCertificate(
        track=proof.track,
        position=PositionQuantity(low, spec.low, high, spec.high, label),
        velocity=Quantity(found.d1, spec.bounds[0], label),
        acceleration=Quantity(found.d2, spec.bounds[1], label),
        jerk=Quantity(found.d3, spec.bounds[2], label),
    )
