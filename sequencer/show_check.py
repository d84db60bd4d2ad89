"""Checking a built show: every scene played on the core, measured, and judged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sequencer.errors import FindingsError
from sequencer.finding import Finding, has_errors
from sequencer.kept import Kept, Same
from sequencer.show_folder import Show
from sequencer.show_model import BuiltShow, CheckedShow, PlannedShow, Tell, silent

if TYPE_CHECKING:
    from sequencer.check.loads import Machine, SceneLoads
    from sequencer.check.played import PlayedScene
    from sequencer.check.report import MovedAxes, SceneReport
    from sequencer.figure.colours import Colour
    from sequencer.figure.model import Figure


def check_built(built: BuiltShow, tell: Tell = silent, *, kept: Kept | None = None) -> CheckedShow:
    """Play every scene on the core and report. Does not raise for findings: the report holds them.

    Raises:
        ImageError: the core refuses the image.
    """
    from sequencer.check import findings, gaps, gaps_between, heat
    from sequencer.check.played import play_scenes
    from sequencer.check.report import CheckReport
    from sequencer.check.work import evening_work
    from sequencer.event.duty import busiest_s
    from sequencer.figure import judge
    from sequencer.figure.dynamics import Dynamics
    from sequencer.firmware.join import room_bytes
    from sequencer.tables.room import room

    kept = Kept() if kept is None else kept
    planned, figure = built.planned, built.figure
    tell("playing", 0.0)
    played = play_scenes(built.contents, built.image, kept)
    moved = kept.of(("moved", Same(planned.tracks)), lambda: _moved_axes(planned))
    machine = kept.of(("machine", Same(figure)), lambda: Dynamics(figure))
    scenes = {name: _scene(built, scene, moved, machine, kept) for name, scene in played.items()}
    loads = {name: scene.loads for name, scene in scenes.items()}
    reports = {name: scene.report for name, scene in scenes.items()}
    busiest = busiest_s(planned.show.policy, built.scene_seconds)
    space = room(built.contents, built.image, room_bytes(built.player.board, figure.board.memory_bytes))
    found = [
        *kept.of(("judge", Same(figure)), lambda: tuple(judge.findings(figure))),
        *findings.memory(space, built.player.board.title),
        *gaps.findings(figure, reports),
        *gaps_between.findings(figure, planned.specs, built.contents, built.image, reports),
        *heat.findings(figure, loads, busiest),
        *(item for scene in scenes.values() for item in scene.findings),
        *(findings.from_shortfall(name, item) for name, item in built.late),
        *(findings.unguarded(name, why) for name, why in _unlearned(built).items()),
        *_told(planned),
    ]
    tell("checked", 1.0)
    report = CheckReport(
        *(figure.name, reports, space, findings.in_order(found)),
        evening=evening_work(figure, loads, busiest),
    )
    return CheckedShow(built, played, report, loads)


def _lamps(figure: Figure) -> tuple[list[list[int]], list[Colour]]:
    """Where each lamp stands in the image, and its colour."""
    from sequencer.tables.lamp_channels import lamp_channels

    at: dict[str, list[int]] = {name: [] for name in figure.lamps}
    for index, item in enumerate(lamp_channels(figure)):
        at[item.lamp.name].append(index)
    return list(at.values()), [lamp.colour for lamp in figure.lamps.values()]


def _unlearned(built: BuiltShow) -> dict[str, str]:
    from sequencer.tables.limits import unlearned

    return unlearned(built.figure, built.contents, built.planned.show.learned)


@dataclass(frozen=True)
class _Scene:
    """One scene as measured, and the findings that are about it alone."""

    report: SceneReport
    loads: SceneLoads
    findings: tuple[Finding, ...]


def _scene(
    built: BuiltShow, played: PlayedScene, moved: list[MovedAxes], machine: Machine, kept: Kept
) -> _Scene:
    from sequencer.check import findings, ringing, supply, torque
    from sequencer.check.loads import scene_loads
    from sequencer.check.report import scene_report
    from sequencer.check.work import scene_work

    planned, figure, name = built.planned, built.figure, played.scene
    timeline, plans = planned.timelines[name], planned.plans[name]
    frame_s = built.contents.frame_us * 1e-6
    asked = {axis: kept.alike(("asked", name, axis), wish.asked_rad) for axis, wish in timeline.axes.items()}
    lamps = kept.alike(("lamps", name), played.lamp_duty)

    def measure() -> _Scene:
        report = scene_report(built.contents, played, planned.specs, moved, asked, kept)
        loads = scene_loads(figure, machine, played, planned.specs, frame_s, kept)
        current = supply.scene_current(figure, loads)
        alone = {name: played}
        found = (
            *kept.of(("light", Same(lamps), played.loop), lambda: tuple(findings.light(alone, frame_s))),
            *findings.red(alone, *_lamps(figure), frame_s),
            *torque.findings(figure, machine, loads),
            *ringing.findings(planned.specs, moved, played, plans, frame_s),
            *supply.findings(figure, current),
        )
        return _Scene(replace(report, work=scene_work(figure, loads, current, kept)), loads, found)

    key = ("scene", Same(played), Same(plans), Same(planned.tracks), Same(figure))
    wishes = tuple((axis, Same(values)) for axis, values in asked.items())
    return kept.of((*key, wishes), measure)


def _told(planned: PlannedShow) -> Iterator[Finding]:
    """What timelines already know: wishes that cannot be kept, and notes."""
    from sequencer.check import findings

    for name, timeline in planned.timelines.items():
        yield from (findings.from_shortfall(name, item) for item in timeline.shortfalls)
        yield from (findings.from_note(name, note) for note in timeline.notes)


def _moved_axes(planned: PlannedShow) -> list[MovedAxes]:
    """Which tracks move which axes, for the report."""
    from sequencer.check.report import AxisFacts, MovedAxes
    from sequencer.figure.drives import track_of
    from sequencer.figure.linkage import linkages
    from sequencer.figure.model import DirectDrive
    from sequencer.figure.torque_limits import never_exceeded

    figure, found = planned.show.figure, []
    for link in linkages(figure):
        drive = figure.axes[link.axes[0]].drive
        tracks = tuple(track_of(figure, servo) for servo in link.servos)
        found.append(
            MovedAxes(
                tracks=tracks,
                axes={
                    axis: AxisFacts(figure.axes[axis].home_rad, never_exceeded(figure, axis))
                    for axis in link.axes
                },
                track_limits=tuple(planned.tracks.limits[track] for track in tracks),
                ratio=drive.ratio if isinstance(drive, DirectDrive) else 1.0,
                linkage=None if isinstance(drive, DirectDrive) else link,
            )
        )
    return found


def refused_json(show: Show, error: FindingsError) -> dict[str, Any]:
    """The contract of ``check --json`` for a show that cannot be built: no scenes, and why as findings."""
    from sequencer.check import findings
    from sequencer.check.report import CheckReport
    from sequencer.figure import judge
    from sequencer.firmware.boards import board_description
    from sequencer.tables.room import Room

    known = judge.findings(show.figure)
    told = known if has_errors(known) else (*known, *(findings.from_fault(item) for item in error.faults))
    room = Room(0, board_description(show.figure.board.kind).image_bytes, 1.0)
    report = CheckReport(show.figure.name, {}, room, findings.in_order(told))
    return {**report.as_json(), "ok": False, "flash_bytes_free": 0, "seconds_left": 0.0}
