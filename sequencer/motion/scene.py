"""Planning a scene: the wishes of axes become those of tracks, pairs are planned together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, PlanError
from sequencer.motion.model import PairSpec, TrackPlan, TrackSpec
from sequencer.motion.pair import plan_pair, pose_weight
from sequencer.motion.plan import PLAN_SHARE, plan_track
from sequencer.timeline.model import GRID_S, Timeline

Floats = NDArray[np.float64]

#: A wish that the linkage cannot reach is drawn home by halves until it can; so many are tried.
NEARER_TRIES = 14


class Linkage(Protocol):
    """What planning asks of a linkage (see :mod:`sequencer.figure.linkage`): k axes, k servos, k = 1 or 2."""

    @property
    def axes(self) -> tuple[str, ...]: ...  # noqa: D102 - columns of axis angles
    @property
    def servos(self) -> tuple[str, ...]: ...  # noqa: D102 - columns of servo angles

    def servo_rad(self, axis_rad: Floats) -> Floats:
        """Servo angles (n, k) of axis angles (n, k), NaN where there are none."""
        ...

    def axis_rad(self, servo_rad: Floats, near: Floats | None = None) -> Floats:
        """Axis angles (n, k) of servo angles (n, k)."""
        ...

    def jacobian(self, axis_rad: Floats) -> Floats:
        """d servo / d axis, (n, k, k)."""
        ...


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


def rest_rad(spec: TrackSpec) -> float:
    """The track's angle at rest."""
    return (spec.rest - spec.value_zero) / spec.value_per_rad


def _direct(timeline: Timeline, spec: TrackSpec, share: float) -> TrackPlan:
    wish = timeline.axes.get(spec.axis)
    samples = round(timeline.duration_s / GRID_S) + 1
    wish_rad = np.full(samples, rest_rad(spec)) if wish is None else wish.wish_rad
    return plan_track(spec, wish_rad, timeline.scene, timeline.loop, timeline.duration_s, share)


def linkage_wish(
    timeline: Timeline, linkage: Linkage, tracks: Sequence[TrackSpec]
) -> tuple[Floats, Floats, Floats]:
    """The wish of a linkage's tracks (n, k) in rad, the weight of their squared errors (n, k, k), the pose.

    Where the wish cannot be reached the nearest tried pose on the way home stands for it.
    Raises :class:`PlanError` when even home cannot be reached.
    """
    home = linkage.axis_rad(np.array([[rest_rad(spec) for spec in tracks]]))
    samples = round(timeline.duration_s / GRID_S) + 1
    pose = np.repeat(home, samples, axis=0)
    for column, axis in enumerate(linkage.axes):
        wish = timeline.axes.get(axis)
        if wish is not None:
            if wish.wish_rad.shape != (samples,):
                raise PlanError(
                    f"axis {axis}, scene {timeline.scene}: the wish has shape {wish.wish_rad.shape}, "
                    f"not ({samples},)"
                )
            pose[:, column] = wish.wish_rad
    servo = linkage.servo_rad(pose)
    low, high = np.zeros(samples), np.ones(samples)
    lost = ~np.isfinite(servo).all(axis=1)
    if lost.any():
        asked = pose.copy()
        for _ in range(NEARER_TRIES):
            share = 0.5 * (low + high)
            tried = home + share[:, None] * (asked - home)
            reached = np.isfinite(linkage.servo_rad(tried)).all(axis=1)
            low, high = np.where(reached, share, low), np.where(reached, high, share)
        pose[lost] = (home + low[:, None] * (asked - home))[lost]
        servo = linkage.servo_rad(pose)
    jacobian = linkage.jacobian(pose)
    if not (np.isfinite(servo).all() and np.isfinite(jacobian).all()):
        raise PlanError(
            Fault(
                f"{' and '.join(linkage.axes)}: the linkage has no pose at home",
                remedy="check the lengths of its rods; `quarterjack figure` draws it",
            )
        )
    return servo, pose_weight(jacobian), pose


def _linked(
    timeline: Timeline,
    linkage: Linkage,
    tracks: Sequence[TrackSpec],
    pairs: Mapping[str, PairSpec],
    share: float,
) -> tuple[TrackPlan, ...]:
    wish, weight, _ = linkage_wish(timeline, linkage, tracks)
    scene, loop, duration_s = timeline.scene, timeline.loop, timeline.duration_s
    if len(tracks) == 1:
        return (plan_track(tracks[0], wish[:, 0], scene, loop, duration_s, share, weight[:, 0, 0]),)
    names = tuple(spec.name for spec in tracks)
    pair = next(item for item in pairs.values() if item.tracks == names)
    return plan_pair(pair, tracks, wish, weight, scene, loop, duration_s, share)
