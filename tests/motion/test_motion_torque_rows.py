"""Rows from the torque-speed line: exact where they stand, bounded between, the true line kept."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sequencer.errors import PlanError
from sequencer.figure.dynamics import Dynamics
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Figure
from sequencer.figure.servo_line import line_at
from sequencer.figure.track_load import FigureLoads
from sequencer.motion.model import TrackPlan
from sequencer.motion.problem import SpanRows
from sequencer.motion.scene import plan_scene
from sequencer.motion.torque_aware import plan_scene_with_torque, plan_torque_aware, with_reverted
from sequencer.motion.torque_rows import (
    Line,
    TrackMotion,
    overload,
    row_times,
    torque_rows,
    track_motion,
)
from sequencer.motion.tracks import FigureTracks, figure_tracks
from sequencer.timeline.model import PLAN_SHARE, Timeline
from tests.figure.head_on_rods import head_on_rods
from tests.motion.jumps import all_aware, jumps
from tests.motion.two_axes import two_axes

Array = NDArray[np.float64]
ERROR = 0.01


def planned(
    figure: Figure, timeline: Timeline
) -> tuple[dict[str, TrackPlan], dict[str, TrackPlan], FigureTracks]:
    """Plans with torque and within constant limits; nothing may have been reverted."""
    tracks = figure_tracks(figure)
    plans, reverted = plan_scene_with_torque(timeline, tracks, FigureLoads(figure), ERROR)
    assert reverted == []
    calm = {name: spec.calm for name, spec in tracks.specs.items()}
    return plans, plan_scene(timeline, calm, linkages=tracks.behind, pairs=tracks.pairs), tracks


def moving(
    figure: Figure, plans: dict[str, TrackPlan], linkage: Linkage, time_s: Array
) -> tuple[object, TrackMotion]:
    """Load and motion of a linkage while the plans play."""
    columns = {}
    for plan in plans.values():
        move = track_motion([plan.spec], [plan.points.astype(float)], time_s)
        columns[plan.spec.servo] = (move.angle[:, 0], move.speed[:, 0], move.acceleration[:, 0])
    loads = FigureLoads(figure)
    own = [np.stack([columns[servo][order] for servo in linkage.servos], axis=1) for order in range(3)]
    return loads.load(linkage, loads.axes(columns)), TrackMotion(*own)


@pytest.fixture(scope="module", params=["two axes", "rods"])
def scene(request: pytest.FixtureRequest) -> tuple[Figure, dict[str, TrackPlan], dict[str, TrackPlan]]:
    figure = all_aware(two_axes() if request.param == "two axes" else head_on_rods())
    plans, constant, _ = planned(figure, jumps(figure, 3, 0.6))
    return figure, plans, constant


def test_true_torque_keeps_the_line_every_half_millisecond(
    scene: tuple[Figure, dict[str, TrackPlan], dict[str, TrackPlan]],
) -> None:
    """Judged by the dynamics of the whole head on the axes' own motion, not by the rows' code."""
    figure, plans, _ = scene
    time_s = np.arange(0.0, 5.999, 5e-4)
    loads = FigureLoads(figure)
    columns = {}
    for plan in plans.values():
        move = track_motion([plan.spec], [plan.points.astype(float)], time_s)
        columns[plan.spec.servo] = (move.angle[:, 0], move.speed[:, 0], move.acceleration[:, 0])
    axes = loads.axes(columns)
    needed = Dynamics(figure).servo_torque(axes.q, axes.qd, axes.qdd)
    for linkage in loads.linkages:
        for servo in linkage.servos:
            stall, no_load = line_at(figure, figure.servos[servo])
            speed = columns[servo][1]
            top = PLAN_SHARE * stall * (1.0 - np.maximum(speed, 0.0) / no_load)
            bottom = -PLAN_SHARE * stall * (1.0 + np.minimum(speed, 0.0) / no_load)
            assert (needed[servo] <= top + 1e-9 * stall).all(), servo
            assert (needed[servo] >= bottom - 1e-9 * stall).all(), servo


def test_it_is_nearer_to_the_wish_than_constant_limits(
    scene: tuple[Figure, dict[str, TrackPlan], dict[str, TrackPlan]],
) -> None:
    _, plans, constant = scene
    for name, plan in plans.items():
        assert plan.objective < 0.9 * constant[name].objective, name
    assert all(np.abs(np.diff(p.points)).max() > p.spec.calm.bounds[0] for p in plans.values()) or any(
        np.abs(np.diff(p.points, 2)).max() > p.spec.calm.bounds[1] for p in plans.values()
    )


def test_rows_say_exactly_what_the_load_takes_where_they_stand(
    scene: tuple[Figure, dict[str, TrackPlan], dict[str, TrackPlan]],
) -> None:
    """About a motion, a row's value at that motion's own points is the true torque."""
    figure, plans, _ = scene
    for linkage in FigureLoads(figure).linkages:
        specs = [next(p.spec for p in plans.values() if p.spec.servo == servo) for servo in linkage.servos]
        spans = len(plans[specs[0].name].points) - 3
        load, motion = moving(figure, plans, linkage, row_times(specs[0], spans))
        line = Line(PLAN_SHARE, 0.0, 0.0)
        rows = torque_rows(specs, load, motion, line, PLAN_SHARE)  # type: ignore[arg-type]
        points = np.stack([plans[spec.name].points for spec in specs], axis=1).astype(float)
        windows = points[rows.span[:, None] + np.arange(4)].reshape(len(rows.span), -1)
        value = (rows.coefficients * windows).sum(axis=1)
        room = np.minimum(rows.high - value, value - rows.low).reshape(len(motion.angle), -1).min(axis=1)
        over = overload(load, motion, line).max(axis=1)  # type: ignore[arg-type]
        # What rows keep back for gaps and rounding is all that tells them apart: 4 % at the most.
        assert (-over - room >= -1e-7).all()
        assert (-over - room).max() < 0.04


def test_between_rows_nothing_rises_beyond_what_was_kept_back(
    scene: tuple[Figure, dict[str, TrackPlan], dict[str, TrackPlan]],
) -> None:
    figure, plans, _ = scene
    for linkage in FigureLoads(figure).linkages:
        spec = next(p.spec for p in plans.values() if p.spec.servo == linkage.servos[0])
        spans = len(plans[spec.name].points) - 3
        coarse = row_times(spec, spans)
        step = coarse[1]
        ends = overload(*moving(figure, plans, linkage, coarse), Line(PLAN_SHARE, ERROR, 0.0))  # type: ignore[arg-type]
        chord = np.maximum(ends[:-1], ends[1:])
        for share in (0.25, 0.5, 0.75):
            inside = moving(figure, plans, linkage, coarse[:-1] + share * step)
            rise = overload(*inside, Line(PLAN_SHARE, ERROR, 0.0)) - chord  # type: ignore[arg-type]
            # Coulomb friction jumps where an axis turns round; there both signs were charged.
            assert np.quantile(rise, 0.99) < 0.01


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.1, 1.0))
def test_any_jumps_are_planned_within_the_line_or_told(seed: int, share: float) -> None:
    figure = all_aware(two_axes())
    timeline = jumps(figure, seed, share, 4.8)
    tracks = figure_tracks(figure)
    plans, reverted = plan_scene_with_torque(timeline, tracks, FigureLoads(figure), ERROR)
    back = {name for each in reverted for name in each.tracks}
    for linkage in FigureLoads(figure).linkages:
        (name,) = linkage.axes
        if name in back:
            assert (np.abs(np.diff(plans[name].points, 2)) <= plans[name].spec.calm.bounds[1]).all()
            continue
        over = overload(  # type: ignore[arg-type]
            *moving(figure, plans, linkage, np.arange(0.0, 4.799, 1e-3)), Line(PLAN_SHARE, ERROR, 1e-2)
        )
        assert over.max() <= 0.035  # friction charged both ways here, with its sign in the plan
    notes = with_reverted(timeline, reverted).shortfalls
    assert [note.code for note in notes] == ["torque"] * len(reverted)


def test_what_cannot_be_planned_keeps_its_constant_limits_and_says_why() -> None:
    figure = all_aware(two_axes())
    timeline = jumps(figure, 5, 0.5)
    tracks = figure_tracks(figure)
    constant = plan_scene(timeline, {n: s.calm for n, s in tracks.specs.items()})
    constant = {n: dataclasses.replace(p, spec=tracks.specs[n]) for n, p in constant.items()}

    def refuse(_linkage: Linkage, _rows: SpanRows, _turn: int) -> list[TrackPlan]:
        raise PlanError("no room")

    def careless(linkage: Linkage, _rows: SpanRows, _turn: int) -> list[TrackPlan]:
        return list(plan_scene(timeline, {linkage.axes[0]: tracks.specs[linkage.axes[0]]}).values())

    loads = FigureLoads(figure)
    plans, reverted = plan_torque_aware(loads, constant, tracks.aware, refuse, ERROR, PLAN_SHARE)
    assert plans == constant
    assert {each.tracks for each in reverted} == {("turn",), ("nod",)}
    assert "no room" in reverted[0].reason
    plans, reverted = plan_torque_aware(loads, constant, tracks.aware, careless, ERROR, PLAN_SHARE)
    assert "nod" in {name for each in reverted for name in each.tracks}
    assert plans["nod"] is constant["nod"]
    nod = next(each for each in reverted if each.tracks == ("nod",))
    assert nod.needed_percent > 100.0 * PLAN_SHARE
    assert 0.0 <= nod.time_s <= timeline.duration_s


def test_loops_keep_constant_limits() -> None:
    figure = all_aware(two_axes())
    timeline = dataclasses.replace(jumps(figure, 6, 0.6), loop=True)
    plans, reverted = plan_scene_with_torque(timeline, figure_tracks(figure), FigureLoads(figure), ERROR)
    assert reverted == []
    for plan in plans.values():
        for order, bound in enumerate(plan.spec.calm.bounds, start=1):
            assert np.abs(np.diff(plan.points, order)).max() <= bound
