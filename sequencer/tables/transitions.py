"""The quickest transitions that are proven: every moment of every loop into every scene, stops and settling.

The compiled player plays each candidate on every track, from every moment at which it can begin, and tells
the worst it met (:class:`Prover`); a candidate is taken when every difference keeps the certified bounds
and every pair of control points its polygon. Nothing here knows how a fade is made.

Where scenes are planned with torque, transitions keep the calmer bounds of constant limits: what loop and
scene add up to was never reckoned. Two of them cannot: a scene that is entered only once the loop is at rest
plays nothing but itself, and a stop begins with the scene's own motion; that one is given time to brake.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass
from typing import Protocol

from sequencer.errors import Fault, PlanError
from sequencer.motion.model import (
    PairCertificate,
    PairFace,
    PairSpec,
    Quantity,
    TrackSpec,
)
from sequencer.tables.crossed import PARK, SETTLE, STOP, PairProof, Proof
from sequencer.tables.model import COMMON_FRAMES, NONE, SceneRecord, Transition
from sequencer.tables.worst import Worst, joined

#: No transition may take longer than this many frames (6 s).
LONGEST_FRAMES = 300
#: A fade must be over this many frames before the scene it enters ends, so that two fades never meet.
CLEAR_FRAMES = 2 * COMMON_FRAMES

#: The worst of every track in the image's order, then of every watched face.
Answer = Sequence[Worst]
#: Asks for one transition: its frames, and whether the first value beyond a bound is enough to know.
Ask = Callable[[int, bool], Answer]


class Prover(Protocol):
    """The compiled player with an open image, asked for the worst of every track (in the image's order).

    After the tracks come the faces that it watches. With ``stop_early`` it may stop at the first value
    beyond a track's bounds or a face, and tells the worst so far.
    """

    def watch_faces(self, faces: Sequence[Sequence[int]]) -> None:
        """Also watch these from now on: (track, other track, a, b, limit, inner) of each."""

    def prove_leaving(
        self,
        loop: int,
        scene: int,
        fade_frames: int,
        delay_frames: int,
        fade_in_frames: int | None = None,
        *,
        stop_early: bool = False,
    ) -> Answer:
        """From every common knot of a loop into a scene (255: to rest)."""

    def prove_entering(self, loop: int, fade_in_frames: int, *, stop_early: bool = False) -> Answer:
        """From rest into phase 0 of a loop."""

    def prove_stopping(self, scene: int, stop_frames: int, *, stop_early: bool = False) -> Answer:
        """The stored stop from every common knot of a scene."""

    def prove_settling(self, settle_frames: int, *, stop_early: bool = False) -> Answer:
        """Rest-to-rest from where a track is parked and every value between its bounds."""

    def prove_parking(self, park_frames: int, *, stop_early: bool = False) -> Answer:
        """To the parked pose from every value between a track's bounds."""


@dataclass(frozen=True)
class _WatchedFace:
    """One face of a pair as the prover knows it."""

    pair: PairSpec
    face: PairFace

    def keeps(self, worst: Worst, label: str) -> bool:
        """A profile from where a stop has ended may be rounded beyond ``inner``, nothing else may."""
        return worst.high <= (self.face.limit if label in (SETTLE, PARK) else self.face.inner)


@dataclass(frozen=True)
class TransitionTable:
    """The chosen transitions and their proofs.

    ``park_frames``: of the profile to the parked pose; None when none is proven.
    ``fade_in`` maps loops to frames; ``rows`` maps a loop to the transition into each scene, None for rest.
    """

    settle_frames: int
    stop_frames: int
    fade_in: Mapping[str, int]
    rows: Mapping[str, Mapping[str | None, Transition]]
    proofs: tuple[Proof, ...]
    pair_proofs: tuple[PairProof, ...] = ()
    park_frames: int | None = None

    @property
    def longest(self) -> tuple[str, str, int]:
        """The loop that takes longest to give way, to which scene (or "rest"), and frames.

        Frames of fade or delay, whichever ends later.

        Raises:
            ValueError: there is no loop.
        """
        every = [
            (loop, scene or "rest", max(item.fade_frames, item.delay_frames))
            for loop, row in self.rows.items()
            for scene, item in row.items()
        ]
        return max(every, key=lambda item: item[2])


def choose_transitions(
    prover: Prover,
    specs: Mapping[str, TrackSpec],
    scenes: Sequence[SceneRecord],
    pairs: Mapping[str, PairSpec] | None = None,
    least_stop_frames: int = COMMON_FRAMES,
    must_park: bool = False,
) -> TransitionTable:
    """The smallest settle, stop and fade-in times and (delay, fade) pairs that are proven.

    Times alone are found by bisection: the next shorter one is refused. Of the pairs the first proven one
    is taken, smallest delay first, then smallest fade, from the loop's own quickest fade to rest on.

    Args:
        prover: a player that has opened an image of these tracks and scenes; the times in it don't matter.
        specs: every track, in the image's order.
        scenes: every scene, at least one, in the image's order.
        pairs: polygons that control points of two tracks keep in every transition too.
        least_stop_frames: no stop is quicker, so that braking finds torque (whole common knots).
        must_park: some axis parks when stopped, so that a profile to the parked pose is needed.

    Returns:
        The table; its proofs hold the worst value of each track, and face, in each kind of transition.

    Raises:
        PlanError: nothing within 6 s keeps the limits; names track, quantity, value and limit.
    """
    search = _Search(prover, specs, scenes, pairs or {})
    settle = search.settle()
    park = search.park(must_park)
    stop = search.stop(least_stop_frames)
    loops = [scene.name for scene in scenes if scene.loop]
    fade_in = {loop: search.fade_in(loop) for loop in loops}
    rows = {
        loop: {scene: search.leave(loop, scene, fade_in) for scene in (*search.numbers, None)}
        for loop in loops
    }
    return TransitionTable(settle, stop, fade_in, rows, tuple(search.proofs), tuple(search.pair_proofs), park)


class _Search:
    """Candidates, each proven for all tracks at once; remembers the proofs of those it took."""

    def __init__(
        self,
        prover: Prover,
        specs: Mapping[str, TrackSpec],
        scenes: Sequence[SceneRecord],
        pairs: Mapping[str, PairSpec],
    ) -> None:
        self.prover = prover
        self.specs = specs
        self.scenes = scenes
        self.numbers = {scene.name: number for number, scene in enumerate(scenes)}
        self.alone: dict[str, int] = {}
        self.proofs: list[Proof] = []
        self.pair_proofs: list[PairProof] = []
        self.pairs = pairs
        self.watched = tuple(_WatchedFace(pair, face) for pair in pairs.values() for face in pair.faces)
        if self.watched:
            order = list(specs)
            prover.watch_faces(
                [
                    (
                        *(order.index(track) for track in item.pair.tracks),
                        *astuple(item.face),
                        item.face.inner,
                    )
                    for item in self.watched
                ]
            )

    def faces(self, answer: Answer) -> Iterator[tuple[_WatchedFace, Worst]]:
        """Every watched face with the answer about it."""
        return zip(self.watched, answer[len(self.specs) :], strict=True)

    def keeps(self, answer: Answer, label: str, as_scene: bool = False) -> bool:
        """Whether every track stays within its bounds, and every pair in its polygon.

        ``as_scene``: within those of scenes, otherwise within those of everything else.
        """
        specs = [spec if as_scene or label == STOP else spec.calm for spec in self.specs.values()]
        within = all(worst.within(spec) for worst, spec in zip(answer, specs, strict=False))
        return within and all(item.keeps(worst, label) for item, worst in self.faces(answer))

    def take(self, label: str, answer: Answer) -> None:
        """Keep the proof of a chosen transition."""
        self.proofs += [Proof(label, track, worst) for track, worst in zip(self.specs, answer, strict=False)]
        for pair in self.pairs.values():
            found = [worst for item, worst in self.faces(answer) if item.pair is pair]
            faces = zip(pair.faces, found, strict=True)
            quantities = tuple(Quantity(worst.high, face.limit, label) for face, worst in faces)
            self.pair_proofs.append(PairProof(label, PairCertificate(pair, quantities)))

    def refusal(self, label: str, refused: Answer | None, remedy: str) -> PlanError:
        """Why nothing is proven, in words."""
        if refused is not None:
            for item, worst in self.faces(refused):
                if not item.keeps(worst, label):
                    return _leaves_polygon(label, item.pair, remedy)
        return _no_transition(label, self.specs, refused, remedy)

    def shortest(self, label: str, ask: Ask, remedy: str, least: int = COMMON_FRAMES) -> int:
        """The shortest proven time of those that double from ``least``, then halved down to its neighbour.

        When no doubled time is proven, every other one is tried before giving up.
        """
        refused, proven = least - COMMON_FRAMES, min(least, LONGEST_FRAMES)
        while not self.keeps(ask(proven, True), label):
            if proven == LONGEST_FRAMES:
                return self.first(label, ask, remedy, least)
            refused, proven = proven, min(2 * proven, LONGEST_FRAMES)
        while proven - refused > COMMON_FRAMES:
            middle = (refused + proven) // (2 * COMMON_FRAMES) * COMMON_FRAMES
            if self.keeps(ask(middle, True), label):
                proven = middle
            else:
                refused = middle
        return proven

    def first(self, label: str, ask: Ask, remedy: str, least: int) -> int:
        """The first proven time of all from ``least`` on."""
        for frames in range(least, LONGEST_FRAMES, COMMON_FRAMES):
            if self.keeps(ask(frames, True), label):
                return frames
        raise self.refusal(label, ask(LONGEST_FRAMES, False), remedy)

    def settle(self) -> int:
        """Frames of the rest-to-rest profile."""

        def ask(frames: int, early: bool) -> Answer:
            return self.prover.prove_settling(frames, stop_early=early)

        remedy = "bring the parked pose nearer to home, or give the axis a stronger servo"
        frames = self.shortest(SETTLE, ask, remedy)
        self.take(SETTLE, ask(frames, False))
        return frames

    def park(self, must: bool) -> int | None:
        """Frames of the profile to the parked pose; None when there is none, and no need."""

        def ask(frames: int, early: bool) -> Answer:
            return self.prover.prove_parking(frames, stop_early=early)

        remedy = 'bring the parked pose nearer to home, or write on_stop = "freeze"'
        try:
            frames = self.shortest(PARK, ask, remedy)
        except PlanError:
            if must:
                raise
            return None
        self.take(PARK, ask(frames, False))
        return frames

    def stop(self, least: int) -> int:
        """Frames of the stored stop, from every scene; at least so many."""
        order = list(self.numbers.values())

        def ask(frames: int, early: bool) -> Answer:
            answers = []
            for number in tuple(order):
                answers.append(self.prover.prove_stopping(number, frames, stop_early=early))
                if early and not self.keeps(answers[-1], STOP):
                    order.remove(number)
                    order.insert(0, number)  # the scene that refuses one time likely refuses the next
                    break
            return [joined(parts) for parts in zip(*answers, strict=True)]

        frames = self.shortest(STOP, ask, "make the scene's moves smaller or slower", least)
        self.take(STOP, ask(frames, False))
        return frames

    def fade_in(self, loop: str) -> int:
        """Frames of the fade from rest into a loop's phase 0."""

        def ask(frames: int, early: bool) -> Answer:
            return self.prover.prove_entering(self.numbers[loop], frames, stop_early=early)

        label = f"rest->{loop}"
        frames = self.shortest(label, ask, f"let {loop} begin nearer to home and more slowly")
        self.take(label, ask(frames, False))
        return frames

    def leave(self, loop: str, scene: str | None, fade_in: Mapping[str, int]) -> Transition:
        """The quickest transition from every common knot of a loop into a scene or to rest."""
        left, entered = self.numbers[loop], NONE if scene is None else self.numbers[scene]
        in_frames = 0 if scene is None else fade_in.get(scene, 0)

        def ask(item: Transition, early: bool) -> Answer:
            return self.prover.prove_leaving(
                left, entered, item.fade_frames, item.delay_frames, in_frames, stop_early=early
            )

        label = f"{loop}->{scene or 'rest'}"
        last: Transition | None = None
        for last in self.candidates(loop, scene):
            apart = self.apart(loop, scene, last)
            if self.keeps(ask(last, True), label, as_scene=apart):
                self.take(label, ask(last, False))
                return last
        refused = None if last is None else ask(last, False)
        raise self.refusal(label, refused, f"make {loop} calmer: smaller or slower moves")

    def apart(self, loop: str, scene: str | None, item: Transition) -> bool:
        """Whether a scene with bounds of its own begins only when the loop, fading calmly, is at rest.

        Then no span holds points of both, and each plays what was proven for it alone.
        """
        if scene is None or self.scenes[self.numbers[scene]].loop or item.delay_frames < item.fade_frames:
            return False
        if all(spec.calm_bounds is None for spec in self.specs.values()):
            return False
        alone = self.prover.prove_leaving(self.numbers[loop], NONE, item.fade_frames, 0, 0, stop_early=True)
        return self.keeps(alone, f"{loop}->rest")

    def candidates(self, loop: str, scene: str | None) -> Iterator[Transition]:
        """Every (delay, fade) in order of preference. Rest needs no delay; a scene must outlast the fade."""
        alone = self.quickest_fade(loop)
        entered = None if scene is None else self.scenes[self.numbers[scene]]
        for delay in range(0, LONGEST_FRAMES + 1 if entered else 1, COMMON_FRAMES):
            for fade in range(alone, LONGEST_FRAMES + 1, COMMON_FRAMES):
                if entered is None or entered.loop or fade + CLEAR_FRAMES <= delay + entered.frames:
                    yield Transition(fade, delay)

    def quickest_fade(self, loop: str) -> int:
        """The shortest fade of a loop to rest: none shorter is tried with something coming meanwhile."""

        def ask(frames: int, early: bool) -> Answer:
            return self.prover.prove_leaving(self.numbers[loop], NONE, frames, 0, 0, stop_early=early)

        if loop not in self.alone:
            self.alone[loop] = self.shortest(f"{loop}->rest", ask, f"make {loop} calmer")
        return self.alone[loop]


def _no_transition(
    label: str, specs: Mapping[str, TrackSpec], refused: Answer | None, remedy: str
) -> PlanError:
    if refused is None:
        return PlanError(Fault(f"no transition {label} is possible", remedy=remedy))
    kept = {track: spec if label == STOP else spec.calm for track, spec in specs.items()}
    track, found = next(
        (track, found)
        for (track, spec), found in zip(kept.items(), refused, strict=False)
        if not found.within(spec)
    )
    spec = kept[track]
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


def _leaves_polygon(label: str, pair: PairSpec, remedy: str) -> PlanError:
    return PlanError(
        Fault(
            f"no transition {label} keeps {pair.name} inside what its linkage can be sent to",
            quantity=f"pose of {pair.name}",
            value="outside",
            limit="inside the reachable polygon",
            remedy=remedy,
        )
    )
