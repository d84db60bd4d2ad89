"""The one place where the whole street is walked: a folder in, a proven show image out.

::

    read_show   figure.toml, *.scene, event.toml          -> Show
    plan_show   limits, tracks, timelines, plans           -> PlannedShow
    build_show  transitions, certificate, image, flash     -> BuiltShow

Commands, the page and the event runner call these and never each other's insides.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.errors import (
    Fault,
    FindingsError,
    ImageError,
    QuarterjackError,
    RoomError,
)
from sequencer.finding import has_errors
from sequencer.show_folder import Show, chosen, read_show

if TYPE_CHECKING:
    from sequencer.check.loads import SceneLoads
    from sequencer.check.played import PlayedScene
    from sequencer.check.report import CheckReport, MovedAxes
    from sequencer.figure.model import Figure, Limits
    from sequencer.firmware.boards import Player as PrebuiltPlayer
    from sequencer.motion.model import Certificate, PairCertificates, TrackPlan, TrackSpec
    from sequencer.motion.tracks import FigureTracks
    from sequencer.player.player import Player
    from sequencer.tables.model import ShowImage
    from sequencer.tables.transitions import TransitionTable
    from sequencer.timeline.model import Shortfall, Timeline

#: Told as (what is being done, share done 0..1).
Tell = Callable[[str, float], None]


def _silent(_what: str, _done: float) -> None:
    """Nobody listens."""


@dataclass(frozen=True)
class PlannedShow:
    """A show with its motion: limits by axis, tracks by name, timelines and plans by scene.

    ``limits`` are what one axis alone can be asked for.
    """

    show: Show
    limits: Mapping[str, Limits]
    tracks: FigureTracks
    timelines: Mapping[str, Timeline]
    plans: Mapping[str, Mapping[str, TrackPlan]]

    @property
    def specs(self) -> Mapping[str, TrackSpec]:
        """Tracks by name, in the image's order."""
        return self.tracks.specs


@dataclass(frozen=True)
class BuiltShow:
    """A show as the board will carry it. ``late`` holds switches that cannot act on time.

    ``pairs`` certifies the poses of the pairs, ``certificate`` every track.
    """

    planned: PlannedShow
    table: TransitionTable
    contents: ShowImage
    image: bytes
    certificate: Certificate
    pairs: PairCertificates
    late: tuple[tuple[str, Shortfall], ...]

    @property
    def figure(self) -> Figure:
        """The machine."""
        return self.planned.show.figure

    @property
    def scene_names(self) -> list[str]:
        """Scenes in the image's order: a scene's place is its number on the link."""
        return [scene.name for scene in self.contents.scenes]

    @property
    def scene_seconds(self) -> dict[str, float]:
        """Length of each scene (of one turn, for a loop)."""
        return {scene.name: scene.frames * self.contents.frame_us * 1e-6 for scene in self.contents.scenes}

    @cached_property
    def image_crc32(self) -> int:
        """CRC-32 of the image, as the board reports it."""
        from sequencer.tables.image import image_crc32

        return image_crc32(self.image)

    @cached_property
    def player(self) -> PrebuiltPlayer:
        """The prebuilt player of the figure's board."""
        from sequencer.firmware.boards import prebuilt_player

        return prebuilt_player(self.figure.board.kind)

    @property
    def player_crc32(self) -> int:
        """CRC-32 of the prebuilt player, as the board reports it."""
        return self.player.crc32

    @cached_property
    def flash_bytes(self) -> bytes:
        """The board's flash from 0: prebuilt player and image.

        Raises:
            RoomError: the image is too big.
        """
        from sequencer.firmware.join import join

        return join(self.player, self.image, self.contents)[1]


def plan_show(show: Show, names: Sequence[str] = (), tell: Tell = _silent) -> PlannedShow:
    """Plan the named scenes (all by default).

    Raises:
        InputError: scenes that ask for what the figure does not have.
        FindingsError: an axis that cannot be moved, a motion that cannot be certified; all of them at once.
    """
    from sequencer.figure.limits import limits
    from sequencer.motion.scene import plan_scene
    from sequencer.motion.tracks import figure_tracks
    from sequencer.timeline.build import build_timeline
    from sequencer.timeline.clear import keep_clear

    figure = show.figure
    names = chosen(show, names)
    faults: list[QuarterjackError] = []

    def collect(error: QuarterjackError) -> None:
        faults.append(error)

    by_axis: dict[str, Limits] = {}
    for axis in figure.axes:
        try:
            by_axis[axis] = limits(figure, axis)
        except QuarterjackError as error:
            collect(error)
    _raise(faults)
    tracks = figure_tracks(figure)
    timelines: dict[str, Timeline] = {}
    for name in names:
        try:
            timelines[name] = keep_clear(build_timeline(show.scenes[name], figure, by_axis), figure)
        except QuarterjackError as error:
            collect(error)
    _raise(faults)
    plans: dict[str, Mapping[str, TrackPlan]] = {}
    for done, name in enumerate(names):
        tell(f"planning {name}", done / len(names))
        try:
            plans[name] = plan_scene(
                timelines[name], tracks.specs, linkages=tracks.behind, pairs=tracks.pairs
            )
        except QuarterjackError as error:
            collect(error)
    _raise(faults)
    tell("planned", 1.0)
    return PlannedShow(show, by_axis, tracks, timelines, plans)


def _raise(errors: Sequence[QuarterjackError]) -> None:
    """All faults as one error of the first one's kind."""
    if errors:
        raise type(errors[0]).from_faults(fault for error in errors for fault in error.faults)


def build_planned(planned: PlannedShow, tell: Tell = _silent) -> BuiltShow:
    """Code the scenes, have the compiled player prove transitions between them, and certify the whole.

    Raises:
        PlanError: no transition keeps the limits; a number that the image cannot hold.
        RoomError: more than any board or the player takes.
        ImageError: the player refuses the image; the installation is broken.
    """
    from sequencer.motion.certificate import certify, merge
    from sequencer.motion.polygon import certify_pair, merge_pairs
    from sequencer.tables.assemble import assemble, with_table
    from sequencer.tables.crossed import pairs_with_transitions, with_transitions
    from sequencer.tables.image import build_image
    from sequencer.tables.transitions import choose_transitions

    tell("transitions", 0.0)
    provisional, late = assemble(
        planned.show.figure,
        planned.specs,
        planned.plans,
        planned.timelines,
        planned.show.policy.only(planned.timelines),
    )
    pairs = planned.tracks.pairs
    table = choose_transitions(_opened(build_image(provisional)), planned.specs, provisional.scenes, pairs)
    scenes = {
        track: merge(
            certify(plans[track].spec, plans[track].points, scene=scene, loop=plans[track].loop)
            for scene, plans in planned.plans.items()
        )
        for track in planned.specs
    }
    poses = {
        name: merge_pairs(
            certify_pair(
                pair,
                [planned.specs[track] for track in pair.tracks],
                [plans[track].points for track in pair.tracks],
                scene=scene,
                loop=planned.timelines[scene].loop,
            )
            for scene, plans in planned.plans.items()
        )
        for name, pair in pairs.items()
    }
    certificate = with_transitions(scenes, planned.specs, table.proofs)
    contents = with_table(provisional, table)
    image = build_image(contents)
    _opened(image)
    tell("image built", 1.0)
    certified = pairs_with_transitions(poses, table.pair_proofs)
    return BuiltShow(planned, table, contents, image, certificate, certified, late)


def _opened(image: bytes) -> Player:
    """The compiled player with an image that was just built."""
    from sequencer.player.player import Fault as Opened
    from sequencer.player.player import Player
    from sequencer.player.rows import IMAGE_ROOM

    if len(image) > IMAGE_ROOM:
        raise RoomError(
            Fault(
                "the show is larger than the player can take",
                quantity="show image",
                value=f"{len(image)} bytes",
                limit=f"{IMAGE_ROOM} bytes",
                remedy="make scenes shorter or fewer",
            )
        )
    player = Player(image)
    if player.open() is not Opened.OK:
        raise ImageError(
            Fault("the player refuses the image that was built", remedy="install Quarterjack again")
        )
    return player


def build_show(folder: Path, tell: Tell = _silent) -> BuiltShow:
    """From a folder to the show image; see :func:`read_show`, :func:`plan_show`, :func:`build_planned`."""
    return build_planned(plan_show(read_show(folder), tell=tell), tell)


@dataclass(frozen=True)
class CheckedShow:
    """A built show with what the player plays in each scene, what that asks of the servos, and the report."""

    built: BuiltShow
    played: Mapping[str, PlayedScene]
    report: CheckReport
    loads: Mapping[str, SceneLoads]


def check_built(built: BuiltShow, tell: Tell = _silent) -> CheckedShow:
    """Play every scene on the core and report. Does not raise for findings: the report holds them.

    Raises:
        ImageError: the core refuses the image.
    """
    from sequencer.check import findings, gaps, gaps_between, heat, supply, torque
    from sequencer.check.loads import scene_loads
    from sequencer.check.played import play_scenes
    from sequencer.check.report import CheckReport, scene_report
    from sequencer.check.work import evening_work, scene_work
    from sequencer.event.duty import busiest_s
    from sequencer.figure import judge
    from sequencer.figure.dynamics import Dynamics
    from sequencer.tables.room import room

    planned, contents = built.planned, built.contents
    tell("playing", 0.0)
    played = play_scenes(contents, built.image)
    moved = _moved_axes(planned)
    scenes = {
        name: scene_report(
            contents,
            played[name],
            planned.specs,
            moved,
            {axis: wish.asked_rad for axis, wish in timeline.axes.items()},
        )
        for name, timeline in planned.timelines.items()
    }
    machine, frame_s = Dynamics(built.figure), contents.frame_us * 1e-6
    loads = {
        name: scene_loads(built.figure, machine, scene, planned.specs, frame_s)
        for name, scene in played.items()
    }
    currents = {name: supply.scene_current(built.figure, load) for name, load in loads.items()}
    scenes = {
        name: replace(scene, work=scene_work(built.figure, loads[name], currents[name]))
        for name, scene in scenes.items()
    }
    busiest = busiest_s(planned.show.policy, built.scene_seconds)
    space = room(contents, built.image, built.player.board.image_bytes)
    found = [
        *judge.findings(built.figure),
        *findings.memory(space, built.player.board.title),
        *findings.light(played, frame_s),
        *gaps.findings(built.figure, scenes),
        *gaps_between.findings(built.figure, planned.specs, contents, built.image, scenes),
        *(item for load in loads.values() for item in torque.findings(built.figure, machine, load)),
        *heat.findings(built.figure, loads, busiest),
        *(item for current in currents.values() for item in supply.findings(built.figure, current)),
        *(
            findings.from_shortfall(name, item)
            for name, timeline in planned.timelines.items()
            for item in timeline.shortfalls
        ),
        *(findings.from_shortfall(name, item) for name, item in built.late),
        *(
            findings.from_note(name, note)
            for name, timeline in planned.timelines.items()
            for note in timeline.notes
        ),
    ]
    tell("checked", 1.0)
    report = CheckReport(
        *(built.figure.name, scenes, space, findings.in_order(found)),
        evening=evening_work(built.figure, loads, busiest),
    )
    return CheckedShow(built, played, report, loads)


def _moved_axes(planned: PlannedShow) -> list[MovedAxes]:
    """Which tracks move which axes, for the report."""
    from sequencer.check.report import AxisFacts, MovedAxes
    from sequencer.figure.drives import track_of
    from sequencer.figure.limits import outer_limits
    from sequencer.figure.linkage import linkages
    from sequencer.figure.model import DirectDrive

    figure, found = planned.show.figure, []
    for link in linkages(figure):
        drive = figure.axes[link.axes[0]].drive
        tracks = tuple(track_of(figure, servo) for servo in link.servos)
        found.append(
            MovedAxes(
                tracks=tracks,
                axes={
                    axis: AxisFacts(figure.axes[axis].home_rad, outer_limits(figure, axis))
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


def checked_for_board(built: BuiltShow, tell: Tell = _silent) -> CheckedShow:
    """:func:`check_built`, refusing a show that would break or hurt.

    Raises:
        FindingsError: every finding that is an error, with its remedy.
    """
    checked = check_built(built, tell)
    faults = [
        Fault(
            f"[{item.code}] {item.message}",
            str(built.planned.show.folder),
            value=None if item.value is None else f"{item.value:g} {item.unit or ''}".strip(),
            limit=None if item.limit is None else f"{item.limit:g} {item.unit or ''}".strip(),
            remedy=item.remedy,
        )
        for item in checked.report.findings
        if item.severity == "error"
    ]
    if faults:
        raise FindingsError.from_faults(faults)
    return checked
