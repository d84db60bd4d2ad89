"""Planning a scene: the wishes of axes become those of tracks, pairs are planned together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from sequencer.errors import Fault, PlanError
from sequencer.motion.linked import Linkage, plan_linked, pose_wish, rest_rad
from sequencer.motion.model import PairSpec, TrackPlan, TrackSpec
from sequencer.motion.plan import plan_track
from sequencer.timeline.model import GRID_S, PLAN_SHARE, Timeline


def plan_scene(
    timeline: Timeline,
    specs: Mapping[str, TrackSpec],
    share: float = PLAN_SHARE,
    *,
    linkages: Iterable[Linkage] = (),
    pairs: Mapping[str, PairSpec] | None = None,
) -> dict[str, TrackPlan]:
    """Plans of every track in ``specs`` (by track name, in that order) for one scene.

    ``linkages`` are those whose tracks are in servo space; every other track's angle is its axis's.
    ``pairs`` holds the polygon of each two-servo linkage, found by its tracks. An axis that the scene
    does not mention stays at home. Raises one :class:`PlanError` with all faults.
    """
    plans: dict[str, TrackPlan] = {}
    faults: list[Fault] = []
    by_servo = {spec.servo: spec for spec in specs.values()}
    behind = {servo: linkage for linkage in linkages for servo in linkage.servos}
    for name, spec in specs.items():
        if name in plans:
            continue
        linkage = behind.get(spec.servo)
        try:
            if linkage is None:
                plans[name] = _direct(timeline, spec, share)
            else:
                tracks = [by_servo[servo] for servo in linkage.servos]
                for plan in _linked(timeline, linkage, tracks, pairs or {}, share):
                    plans[plan.spec.name] = plan
        except PlanError as error:
            faults.extend(error.faults)
            if linkage is not None:
                behind = {servo: other for servo, other in behind.items() if other is not linkage}
                specs = {key: value for key, value in specs.items() if value.servo not in linkage.servos}
    if faults:
        raise PlanError.from_faults(faults)
    return {name: plans[name] for name in specs}


def _direct(timeline: Timeline, spec: TrackSpec, share: float) -> TrackPlan:
    wish = timeline.axes.get(spec.axis)
    samples = round(timeline.duration_s / GRID_S) + 1
    wish_rad = np.full(samples, rest_rad(spec)) if wish is None else wish.wish_rad
    return plan_track(spec, wish_rad, timeline.scene, timeline.loop, timeline.duration_s, share)


def _linked(
    timeline: Timeline,
    linkage: Linkage,
    tracks: Sequence[TrackSpec],
    pairs: Mapping[str, PairSpec],
    share: float,
) -> tuple[TrackPlan, ...]:
    pose = pose_wish(timeline, linkage, tracks)
    names = tuple(spec.name for spec in tracks)
    pair = next((item for item in pairs.values() if item.tracks == names), None)
    if pair is None and len(tracks) > 1:
        raise PlanError(f"tracks {' and '.join(names)} have no polygon")
    return plan_linked(linkage, tracks, pair, pose, timeline.scene, timeline.loop, timeline.duration_s, share)
