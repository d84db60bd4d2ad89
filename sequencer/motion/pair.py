"""Planning the two tracks of a pair together: the nearest certified pose, not the nearest crank angles.

Near the wish the pose's squared error is e' W e with e the cranks' errors and W = (J^-1)' J^-1, J = d
crank / d axis (virtual displacements; any book on robot kinematics): both tracks are solved as one
programme with that weight, in a polygon of the pairs of points that both axes' ranges leave.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, PlanError
from sequencer.motion.certificate import certify
from sequencer.motion.interior import NoConvergenceError, solve
from sequencer.motion.model import PairSpec, TrackPlan, TrackSpec
from sequencer.motion.plan import Solver, track_problem, unsolved
from sequencer.motion.polygon import certify_pair
from sequencer.motion.problem import Face, JointProblem, SpanRows
from sequencer.motion.round import SETTLE_LSB
from sequencer.motion.stilled import solve_still
from sequencer.motion.weighted import common_weight, interval_weights
from sequencer.timeline.model import PLAN_SHARE

if TYPE_CHECKING:
    from sequencer.motion.linked import Linkage


def pose_weight(jacobian: NDArray[np.float64]) -> NDArray[np.float64]:
    """(J^-1)' J^-1 of d track / d axis (n, k, k): each sample's squared pose error per squared track error.

    Raises :class:`PlanError` at a toggle, where cranks turn and the pose does not.
    """
    try:
        inverse = np.linalg.inv(jacobian)
    except np.linalg.LinAlgError:
        raise PlanError(
            Fault(
                "the wish goes through a toggle of the linkage",
                remedy="narrow the range, or lengthen the rod; `quarterjack figure` draws it",
            )
        ) from None
    weight: NDArray[np.float64] = inverse.transpose(0, 2, 1) @ inverse
    return weight


def joint_problem(
    pair: PairSpec,
    specs: Sequence[TrackSpec],
    wish_rad: NDArray[np.float64],
    weight: NDArray[np.float64],
    scene: str,
    loop: bool,
    duration_s: float,
    share: float = PLAN_SHARE,
    rows: SpanRows | None = None,
) -> tuple[JointProblem, float]:
    """The programme of both tracks, bounds tightened for the rounding, and what its objective is in rad^2.

    ``wish_rad`` (n, 2) holds the tracks' angles, ``weight`` (n, 2, 2) the squared pose error per squared
    track error, in rad. ``rows`` are further limits on both tracks' points in LSB; their prices are in
    squared errors of a track, at mean weight, times spans. Raises :class:`PlanError` as
    :func:`.plan.track_problem`.
    """
    per_rad = np.array([spec.value_per_rad for spec in specs])
    in_lsb = weight / (per_rad[:, None] * per_rad[None, :])
    norm = common_weight(float(np.trace(in_lsb, axis1=1, axis2=2).mean()) / len(specs))
    parts = tuple(
        track_problem(spec, wish_rad[:, track], scene, loop, duration_s, share)
        for track, spec in enumerate(specs)
    )
    halves = 0.5 * (1.0 + SETTLE_LSB)
    faces = tuple(
        Face(face.a, face.b, face.inner - halves * (abs(face.a) + abs(face.b))) for face in pair.faces
    )
    return JointProblem(parts, interval_weights(in_lsb / norm), faces, rows), norm


def plan_pair(
    pair: PairSpec,
    specs: Sequence[TrackSpec],
    wish_rad: NDArray[np.float64],
    weight: NDArray[np.float64],
    scene: str,
    loop: bool,
    duration_s: float,
    share: float = PLAN_SHARE,
    rows: SpanRows | None = None,
    *,
    linkage: Linkage | None = None,
    solver: Solver = solve,
) -> tuple[TrackPlan, TrackPlan]:
    """The certified motion of both tracks whose pose is nearest to the wish; see :func:`joint_problem`.

    With their ``linkage`` moves that would leave one of its axes ringing are shaped (:mod:`.stilled`).
    Raises :class:`PlanError` naming track or pair, quantity, time and remedy when there is none.
    """
    problem, norm = joint_problem(pair, specs, wish_rad, weight, scene, loop, duration_s, share, rows)
    try:
        still = solve_still(problem, specs, linkage, solver)
    except NoConvergenceError as failure:
        raise unsolved(specs[failure.track], scene, failure, rows) from None
    except ValueError:
        raise PlanError(f"pair {pair.name}: its polygon leaves nothing of the tracks' ranges") from None
    plans = []
    for spec, points, shaping in zip(specs, still.points, still.shaping, strict=True):
        certify(spec, points, scene=scene, loop=loop)
        objective = still.objective * norm * spec.knot_s
        plans.append(TrackPlan(spec, scene, loop, points, objective, still.iterations, shaping))
    certify_pair(pair, specs, [plan.points for plan in plans], scene=scene, loop=loop)
    return plans[0], plans[1]
