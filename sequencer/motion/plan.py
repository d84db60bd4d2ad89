"""Planning one track: the nearest certified motion to a wish."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, PlanError
from sequencer.motion.certificate import QUANTITIES, UNITS, certify, in_degrees, row_time_s
from sequencer.motion.interior import NoConvergenceError, Solution, solve
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.motion.problem import Problem, SpanRows, TrackProblem
from sequencer.motion.round import TIGHTENING
from sequencer.motion.rows import FURTHER
from sequencer.motion.stilled import solve_still
from sequencer.motion.weighted import common_weight, interval_weights
from sequencer.timeline.model import GRID_S, PLAN_SHARE

if TYPE_CHECKING:
    from sequencer.motion.linked import Linkage

#: What finds the optimum of a programme: :func:`.interior.solve`, or one that remembers.
Solver = Callable[[Problem], Solution]
#: A wish further out than this is a mistake, not a motion.
LARGEST_WISH_RAD = 1000.0


def track_problem(
    spec: TrackSpec,
    wish_rad: NDArray[np.float64],
    scene: str,
    loop: bool,
    duration_s: float,
    share: float = PLAN_SHARE,
    weight: NDArray[np.float64] | None = None,
    rows: SpanRows | None = None,
) -> TrackProblem:
    """The quadratic programme of one track: bounds at ``share``, tightened for the rounding.

    ``wish_rad`` is the track's angle, one sample a millisecond from 0 to ``duration_s``, both included;
    ``weight`` of the same shape weighs its squared error; ``rows`` are further limits. Raises
    :class:`PlanError` on a wish that is not finite, has another length, or whose duration is no
    whole number of knots.
    """
    where = f"track {spec.name}, scene {scene}"
    wish = np.asarray(wish_rad, np.float64)
    if not (math.isfinite(duration_s) and duration_s > 0.0):
        raise PlanError(f"{where}: a scene of {duration_s:g} s cannot be planned")
    steps = round(spec.knot_s / GRID_S)
    if steps < 1 or abs(steps * GRID_S - spec.knot_s) > 1e-9:
        raise PlanError(
            Fault(
                f"{where}: knots {spec.knot_s * 1000:g} ms apart do not fall on whole milliseconds",
                quantity="frame_us",
                value=f"{spec.frame_us} us",
                limit="a whole number of milliseconds",
                remedy="give the servo a frame rate like 50 Hz",
            )
        )
    samples = round(duration_s / GRID_S)
    if samples % steps or abs(samples * GRID_S - duration_s) > 1e-6:
        raise PlanError(
            Fault(
                f"{where}: {duration_s:g} s is no whole number of knots",
                quantity="duration",
                value=f"{duration_s:g} s",
                limit=f"a multiple of {spec.knot_s:g} s",
                remedy="round the scene up to six servo frames",
            )
        )
    if wish.shape != (samples + 1,):
        raise PlanError(f"{where}: the wish has shape {wish.shape}, not ({samples + 1},)")
    if not (wish.min() >= -LARGEST_WISH_RAD and wish.max() <= LARGEST_WISH_RAD):
        at = int((~(np.abs(wish) <= LARGEST_WISH_RAD)).argmax())
        raise PlanError(
            Fault(
                f"{where}: the wish at {at * GRID_S:.3f} s is not an angle",
                quantity="position",
                value=f"{wish[at]:g} rad",
                limit=f"{LARGEST_WISH_RAD:g} rad",
                remedy=f"look at what moves axis {spec.axis} about {at * GRID_S:.3f} s",
            )
        )
    bounds = tuple(share * bound - tight for bound, tight in zip(spec.bounds, TIGHTENING, strict=True))
    for order, bound in enumerate(bounds, start=1):
        if bound <= 0.0:
            raise PlanError(
                Fault(
                    f"{where}: nothing is left of the {QUANTITIES[order]} bound after rounding",
                    quantity=QUANTITIES[order],
                    value=f"{share:g} of {spec.bounds[order - 1]} LSB",
                    limit=f"more than {TIGHTENING[order - 1] / share:.1f} LSB",
                    remedy=f"raise the {QUANTITIES[order]} limit of axis {spec.axis}, "
                    "or set a larger knot_frames",
                )
            )
    rest = float(spec.rest)
    if not spec.low <= spec.rest <= spec.high or spec.low >= spec.high:
        raise PlanError(
            Fault(
                f"{where}: home is not inside the range",
                quantity="position",
                value=f"{in_degrees(spec, 0, spec.rest):.4g} deg",
                limit=f"{in_degrees(spec, 0, spec.low):.4g} to {in_degrees(spec, 0, spec.high):.4g} deg",
                remedy=f"move home of axis {spec.axis} into its range, or widen the range",
            )
        )
    fixed = None if loop else (rest, rest, rest)
    lsb = spec.value_per_rad * wish
    lsb += spec.value_zero
    return TrackProblem(
        wish=lsb,
        steps=steps,
        low=float(spec.low),
        high=float(spec.high),
        bounds=(bounds[0], bounds[1], bounds[2]),
        head=fixed,
        tail=fixed,
        weight=None if weight is None else interval_weights(np.asarray(weight, np.float64)),
        rows=rows,
    )


def plan_track(
    spec: TrackSpec,
    wish_rad: NDArray[np.float64],
    scene: str,
    loop: bool,
    duration_s: float,
    share: float = PLAN_SHARE,
    weight: NDArray[np.float64] | None = None,
    rows: SpanRows | None = None,
    *,
    linkage: Linkage | None = None,
    solver: Solver = solve,
) -> TrackPlan:
    """The certified motion of one track nearest to ``wish_rad`` (rad, 1 ms grid).

    ``weight`` (positive, same shape) turns squared errors of the track into those of its axis: behind a
    linkage the squared slope d axis / d servo at the wish. ``rows`` are further limits on its points in LSB;
    their prices are in mean squared errors of the track times spans. A scene starts and ends at rest, a
    loop closes without a seam. Moves that would leave the axis ringing are shaped (:mod:`.stilled`); behind
    a linkage that is looked at through ``linkage``. Raises :class:`PlanError` naming track, quantity, time
    and remedy when there is no such motion; never returns an unproven plan.
    """
    norm = 1.0 if weight is None else common_weight(float(np.mean(weight)))
    scaled = None if weight is None else weight / norm
    problem = track_problem(spec, wish_rad, scene, loop, duration_s, share, scaled, rows)
    try:
        still = solve_still(problem, (spec,), linkage, solver)
    except NoConvergenceError as failure:
        raise unsolved(spec, scene, failure, rows) from None
    (points,), (shaping,) = still.points, still.shaping
    certify(spec, points, scene=scene, loop=loop)
    return TrackPlan(
        spec=spec,
        scene=scene,
        loop=loop,
        points=points,
        objective=still.objective * norm * spec.knot_s / spec.value_per_rad**2,
        iterations=still.iterations,
        shaping=shaping,
    )


def unsolved(
    spec: TrackSpec, scene: str, failure: NoConvergenceError, rows: SpanRows | None = None
) -> PlanError:
    """In words: which limit of the track stands most in the way, and when."""
    order = failure.order
    if order == FURTHER and rows is not None:
        time_s = (float(rows.span[failure.row]) + 0.5) * spec.knot_s
        return PlanError(
            Fault(
                f"track {spec.name}, scene {scene}: no motion within limits was found; "
                f"what it may load its servo with about {time_s:.2f} s stands most in the way",
                quantity="torque",
                value="over its bound",
                remedy=f"ask less of axis {spec.axis} about {time_s:.2f} s, "
                "or lighten or balance what it moves",
            )
        )
    time_s = row_time_s(spec, order, failure.row)
    bound = spec.high if order == 0 else spec.bounds[order - 1]
    return PlanError(
        Fault(
            f"track {spec.name}, scene {scene}: no motion within limits was found; "
            f"the {QUANTITIES[order]} about {time_s:.2f} s stands most in the way",
            quantity=QUANTITIES[order],
            value="over its bound",
            limit=f"{abs(in_degrees(spec, order, bound)):.6g} {UNITS[order]}",
            remedy=f"ask less of axis {spec.axis} about {time_s:.2f} s, "
            "or check its limits in `quarterjack figure`",
        )
    )
