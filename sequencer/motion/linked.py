"""Planning the tracks behind a linkage: axis wishes become track wishes, errors are weighed as the pose's.

First the pose is taken as linear about the wish. Where limits leave the motion far from it that can be
rough: when the pose's error is not what the programme took it for, it is posed again about the motion
found (Gauss-Newton; Nocedal and Wright, *Numerical Optimization*, chapter 10), and the better is kept.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, PlanError
from sequencer.motion.interior import solve
from sequencer.motion.model import PairSpec, TrackPlan, TrackSpec
from sequencer.motion.pair import plan_pair, pose_weight
from sequencer.motion.peak import on_grid
from sequencer.motion.plan import Solver, plan_track
from sequencer.motion.problem import SpanRows
from sequencer.timeline.model import GRID_S, PLAN_SHARE, Timeline

Floats = NDArray[np.float64]

#: A wish that the linkage cannot reach is drawn home by halves until it can; so many are tried.
NEARER_TRIES = 14
#: How often a programme is posed again about the motion found.
PASSES = 2
#: A pose error that differs by less than this share from the programme's objective is as good as linear.
LINEAR_SHARE = 0.05
#: Mean squared errors under this are the rounding's and nobody's concern.
ROUNDING_RAD2 = float(np.radians(0.05)) ** 2
#: The error is first looked at on every so many-th sample of the grid.
GLANCE = 10


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


def rest_rad(spec: TrackSpec) -> float:
    """The track's angle at rest."""
    return (spec.rest - spec.value_zero) / spec.value_per_rad


def pose_wish(timeline: Timeline, linkage: Linkage, tracks: Sequence[TrackSpec]) -> Floats:
    """The wish of a linkage's axes (n, k) in rad, home where the scene does not mention one.

    Where it cannot be reached the nearest tried pose on the way home stands for it.
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
    if not np.isfinite(servo).all():
        raise PlanError(
            Fault(
                f"{' and '.join(linkage.axes)}: the linkage has no pose at home",
                remedy="check the lengths of its rods; `quarterjack figure` draws it",
            )
        )
    return pose


def plan_linked(
    linkage: Linkage,
    tracks: Sequence[TrackSpec],
    pair: PairSpec | None,
    pose_rad: Floats,
    scene: str,
    loop: bool,
    duration_s: float,
    share: float = PLAN_SHARE,
    rows: SpanRows | None = None,
    *,
    solvers: Iterable[Solver] | None = None,
) -> tuple[TrackPlan, ...]:
    """The certified motion of a linkage's tracks nearest to the poses ``pose_rad`` (n, k), 1 ms grid.

    ``pair`` is the polygon of two tracks, None for one; ``rows`` are further limits on their
    points, ``solvers`` one for each time the programme is posed. Raises :class:`PlanError` as
    :func:`.plan.plan_track`, or when the wish goes through a toggle.
    """

    by_pass = iter(itertools.repeat(solve) if solvers is None else solvers)

    def plan(about: Floats, served: Floats) -> tuple[TrackPlan, ...]:
        solver = next(by_pass)
        jacobian = linkage.jacobian(about)
        weight = pose_weight(jacobian)
        wish = served + np.einsum("nij,nj->ni", jacobian, pose_rad - about)
        told = (scene, loop, duration_s, share)
        if pair is None:
            weigh = weight[:, 0, 0]
            one = plan_track(tracks[0], wish[:, 0], *told, weigh, rows, linkage=linkage, solver=solver)
            return (one,)
        return plan_pair(pair, tracks, wish, weight, *told, rows, linkage=linkage, solver=solver)

    def reached(plans: Sequence[TrackPlan], every: int = 1) -> tuple[Floats, Floats, float]:
        served = np.stack([on_grid(each.spec, each.points, loop) for each in plans], axis=1)[::every]
        found = linkage.axis_rad(served, pose_rad[::every])
        square = ((found - pose_rad[::every]) ** 2).sum(axis=1).mean()
        return served, found, float(square * duration_s)

    best = plan(pose_rad, linkage.servo_rad(pose_rad))
    *_, error = reached(best, GLANCE)
    if not abs(error / max(best[0].objective, ROUNDING_RAD2 * duration_s) - 1.0) > 2.0 * LINEAR_SHARE:
        return best
    served, found, error = reached(best)
    for _ in range(PASSES):
        if not error > ROUNDING_RAD2 * duration_s:  # also when the pose is not known
            break
        again = plan(found, served)
        served, found, better = reached(again)
        if not better < error:
            break
        best, error = again, better
    return best
