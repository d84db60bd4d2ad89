"""Planning a scene: the wishes of axes become those of tracks, pairs are planned together."""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from sequencer.errors import PlanError
from sequencer.motion.cache import PlanMemory
from sequencer.motion.landing import joined, landing_rows
from sequencer.motion.linked import Linkage, plan_linked, pose_wish, rest_rad
from sequencer.motion.model import PairSpec, TrackPlan, TrackSpec
from sequencer.motion.plan import plan_track
from sequencer.motion.problem import SpanRows
from sequencer.motion.round import TIGHTENING
from sequencer.timeline.model import GRID_S, PLAN_SHARE, QUIET_SHARE, Timeline

#: Scenes of so many control points are planned with a thread for each processor. The compiled loops let go
#: of the interpreter; below this the rest of the work, which does not, leaves nothing to gain.
PARALLEL_POINTS = 60_000

_Group = tuple[Linkage | None, list[TrackSpec]]


def plan_scene(
    timeline: Timeline,
    specs: Mapping[str, TrackSpec],
    share: float = PLAN_SHARE,
    *,
    linkages: Iterable[Linkage] = (),
    pairs: Mapping[str, PairSpec] | None = None,
    memory: PlanMemory | None = None,
) -> dict[str, TrackPlan]:
    """Plans of every track in ``specs`` (by track name, in that order) for one scene.

    ``linkages`` are those whose tracks are in servo space; every other track's angle is its axis's.
    ``pairs`` holds the polygon of each two-servo linkage, found by its tracks. An axis that the scene
    does not mention stays at home. ``memory`` spares what was solved before. Raises one
    :class:`PlanError` with all faults.
    """
    memory = PlanMemory() if memory is None else memory
    groups = _groups(specs, linkages)

    def plan(group: _Group) -> tuple[TrackPlan, ...] | PlanError:
        try:
            return plan_linkage(timeline, *group, pairs or {}, share, memory)
        except PlanError as error:
            return error

    points = sum(timeline.duration_s / spec.knot_s for spec in specs.values())
    if points < PARALLEL_POINTS:
        found = [plan(group) for group in groups]
    else:
        with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
            found = list(pool.map(plan, groups))
    faults = [fault for each in found if isinstance(each, PlanError) for fault in each.faults]
    if faults:
        raise PlanError.from_faults(faults)
    plans = {each.spec.name: each for group in found if not isinstance(group, PlanError) for each in group}
    return {name: plans[name] for name in specs}


def _groups(specs: Mapping[str, TrackSpec], linkages: Iterable[Linkage]) -> list[_Group]:
    """Tracks that are planned together, in the order of ``specs``, with what they move."""
    by_servo = {spec.servo: spec for spec in specs.values()}
    behind = {servo: linkage for linkage in linkages for servo in linkage.servos}
    groups: dict[tuple[str, ...], _Group] = {}
    for spec in specs.values():
        linkage = behind.get(spec.servo)
        if linkage is None:
            groups[(spec.name,)] = None, [spec]
        else:
            groups[("behind", *linkage.servos)] = linkage, [by_servo[servo] for servo in linkage.servos]
    return list(groups.values())


def plan_linkage(
    timeline: Timeline,
    linkage: Linkage | None,
    tracks: Sequence[TrackSpec],
    pairs: Mapping[str, PairSpec],
    share: float,
    memory: PlanMemory,
    rows: SpanRows | None = None,
    *,
    about: str = "",
) -> tuple[TrackPlan, ...]:
    """Plans of the tracks of one linkage; without one, of the one track that has its axis's angle.

    ``rows`` are further limits on their points, beside those of the timeline's accents; ``about`` tells
    programmes of the same tracks apart for the memory. In a quiet scene no track is faster than its axes
    are at their quarter together. Raises :class:`PlanError` as :func:`plan_scene`.
    """
    kept = tracks
    if timeline.quiet:
        tracks = [_quiet(spec, share, len(tracks)) for spec in tracks]
    plans = _planned(timeline, linkage, tracks, pairs, share, memory, rows, about)
    return tuple(replace(plan, spec=spec) for plan, spec in zip(plans, kept, strict=True))


def _planned(
    timeline: Timeline,
    linkage: Linkage | None,
    tracks: Sequence[TrackSpec],
    pairs: Mapping[str, PairSpec],
    share: float,
    memory: PlanMemory,
    rows: SpanRows | None,
    about: str,
) -> tuple[TrackPlan, ...]:
    names = tuple(spec.name for spec in tracks)
    place = " ".join((timeline.scene, *names)) + about
    told = (timeline.scene, timeline.loop, timeline.duration_s, share)
    if linkage is None:
        (spec,) = tracks
        wish = timeline.axes.get(spec.axis)
        samples = round(timeline.duration_s / GRID_S) + 1
        wish_rad = np.full(samples, rest_rad(spec)) if wish is None else wish.wish_rad
        rows = joined(rows, landing_rows(timeline, None, tracks))
        return (plan_track(spec, wish_rad, *told, rows=rows, solver=memory.solver(place)),)
    pose = pose_wish(timeline, linkage, tracks)
    pair = next((item for item in pairs.values() if item.tracks == names), None)
    if pair is None and len(tracks) > 1:
        raise PlanError(f"tracks {' and '.join(names)} have no polygon")
    rows = joined(rows, landing_rows(timeline, linkage, tracks, pose))
    # Each pass goes on from the same pass of before: outside an edit's reach both ask the same.
    solvers = (memory.solver(f"{place} {turn}") for turn in itertools.count())
    return plan_linked(linkage, tracks, pair, pose, *told, rows, solvers=solvers)


def _quiet(spec: TrackSpec, share: float, axes: int) -> TrackSpec:
    """``spec`` bound to the speed of a quiet scene; a servo that ``axes`` share has the sum of theirs."""
    velocity = math.floor(spec.bounds[0] * min(1.0, QUIET_SHARE * axes / share))
    least = math.ceil((TIGHTENING[0] + 1.0) / share)
    return replace(spec, bounds=(min(max(velocity, least), spec.bounds[0]), *spec.bounds[1:]))
