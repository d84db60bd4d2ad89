"""The one place where the whole street is walked: a folder in, a proven show image out.

::

    read_show   figure.toml, *.scene, event.toml          -> Show
    plan_show   limits, tracks, timelines, plans           -> PlannedShow
    build_show  transitions, certificate, image, flash     -> BuiltShow
    check_built what the player plays, and findings        -> CheckedShow

Commands, the page and the event runner call these and never each other's insides. ``kept`` holds what was
made before: with it (see :class:`sequencer.session.Session`) an edit makes anew only what it changes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.errors import Fault, FindingsError, ImageError, QuarterjackError, RoomError
from sequencer.files import content
from sequencer.kept import Kept, Same
from sequencer.show_check import check_built, refused_json
from sequencer.show_folder import Show, chosen, read_show
from sequencer.show_model import BuiltShow, CheckedShow, PlannedShow, Tell, silent

if TYPE_CHECKING:
    from sequencer.figure.model import Figure, Limits
    from sequencer.motion.cache import PlanMemory
    from sequencer.motion.model import TrackPlan
    from sequencer.motion.tracks import FigureTracks
    from sequencer.player.player import Player
    from sequencer.tables.model import ShowImage
    from sequencer.tables.transitions import TransitionTable
    from sequencer.timeline.model import Timeline
    from sequencer.timeline.scene import Scene

__all__ = [
    "BuiltShow",
    "CheckedShow",
    "PlannedShow",
    "Show",
    "build_planned",
    "build_show",
    "check_built",
    "checked_for_board",
    "plan_show",
    "read_show",
    "refused_json",
]


def plan_show(
    show: Show,
    names: Sequence[str] = (),
    tell: Tell = silent,
    *,
    kept: Kept | None = None,
    memory: PlanMemory | None = None,
) -> PlannedShow:
    """Plan the named scenes (all by default).

    ``memory`` spares what was solved before; by default what was asked for in the very same words, kept in
    the user's cache.

    Raises:
        InputError: scenes that ask for what the figure does not have.
        FindingsError: an axis that cannot be moved, a motion that cannot be certified; all of them at once.
    """
    from sequencer.motion.cache import PlanMemory, cache_folder
    from sequencer.motion.torque_moves import quick_by_axis
    from sequencer.motion.tracks import figure_tracks

    kept = Kept() if kept is None else kept
    memory = PlanMemory(cache_folder()) if memory is None else memory
    figure = show.figure
    names = chosen(show, names)
    faults: list[QuarterjackError] = []
    by_axis = kept.of(("limits", Same(figure)), lambda: _limits(figure))
    tracks = kept.of(("tracks", Same(figure)), lambda: figure_tracks(figure))
    quick = kept.of(("quick", Same(figure)), lambda: quick_by_axis(figure, by_axis))
    asked: dict[str, Timeline] = {}
    for name in names:
        scene = show.scenes[name]
        try:
            asked[name] = _timeline(show, scene, by_axis if scene.loop else quick, kept)
        except QuarterjackError as error:
            faults.append(error)
    _raise(faults)
    timelines: dict[str, Timeline] = {}
    plans: dict[str, Mapping[str, TrackPlan]] = {}
    for done, name in enumerate(names):
        tell(f"planning {name}", done / len(names))
        try:
            timelines[name], plans[name] = _planned(figure, tracks, asked[name], memory, kept)
        except QuarterjackError as error:
            faults.append(error)
    _raise(faults)
    tell("planned", 1.0)
    return PlannedShow(show, by_axis, tracks, timelines, plans)


def _limits(figure: Figure) -> dict[str, Limits]:
    """What each axis alone can be asked for."""
    from sequencer.figure.limits import limits

    faults: list[QuarterjackError] = []
    by_axis: dict[str, Limits] = {}
    for axis in figure.axes:
        try:
            by_axis[axis] = limits(figure, axis)
        except QuarterjackError as error:
            faults.append(error)
    _raise(faults)
    return by_axis


def _timeline(show: Show, scene: Scene, by_axis: Mapping[str, Limits], kept: Kept) -> Timeline:
    """What a scene asks for."""
    from sequencer.timeline.build import build_timeline
    from sequencer.timeline.clear import keep_clear

    figure, idles = show.figure, scene.name in show.policy.idles

    def build() -> Timeline:
        return keep_clear(build_timeline(scene, figure, by_axis, idles=idles), figure)

    folder = Path(scene.file).parent
    scores = tuple(content(folder / use.path) for use in scene.scores)
    # A sound is only looked for.
    sounds = tuple((folder / sound.path).is_file() for sound in scene.sounds)
    return kept.of(("timeline", Same(scene), Same(figure), idles, scores, sounds), build)


def _planned(
    figure: Figure, tracks: FigureTracks, timeline: Timeline, memory: PlanMemory, kept: Kept
) -> tuple[Timeline, Mapping[str, TrackPlan]]:
    """The motion of a scene, and its timeline with what that misses."""
    from sequencer.figure.track_load import FigureLoads
    from sequencer.motion.misses import with_misses
    from sequencer.motion.torque_aware import plan_scene_with_torque, with_reverted

    def plan() -> tuple[Timeline, Mapping[str, TrackPlan]]:
        loads, error = FigureLoads(figure), figure.board.clock_error
        plans, reverted = plan_scene_with_torque(timeline, tracks, loads, error, memory=memory)
        told = with_reverted(timeline, reverted)
        return with_misses(told, figure.axes, plans, tracks.behind), plans

    return kept.of(("planned", Same(timeline), Same(tracks)), plan)


def _raise(errors: Sequence[QuarterjackError]) -> None:
    """All faults as one error of the first one's kind."""
    if errors:
        raise type(errors[0]).from_faults(fault for error in errors for fault in error.faults)


def build_planned(planned: PlannedShow, tell: Tell = silent, *, kept: Kept | None = None) -> BuiltShow:
    """Code the scenes, have the compiled player prove transitions between them, and certify the whole.

    Raises:
        PlanError: no transition keeps the limits; a number that the image cannot hold.
        RoomError: more than any board or the player takes.
        ImageError: the player refuses the image; the installation is broken.
    """
    from sequencer.figure.torque_limits import spare_by_track
    from sequencer.firmware.boards import board_description
    from sequencer.motion.certificate import certify, merge
    from sequencer.motion.polygon import certify_pair, merge_pairs
    from sequencer.tables.assemble import assemble, with_table
    from sequencer.tables.braking import least_stop_frames
    from sequencer.tables.bus import check_bus
    from sequencer.tables.crossed import pairs_with_transitions, with_transitions
    from sequencer.tables.image import build_image, inside_bytes, read_image
    from sequencer.tables.proven import KeptProver
    from sequencer.tables.transitions import choose_transitions
    from sequencer.timeline.model import PLAN_SHARE

    kept = Kept() if kept is None else kept
    tell("transitions", 0.0)
    provisional, late = assemble(
        planned.show.figure,
        planned.specs,
        planned.plans,
        planned.timelines,
        planned.show.policy.only(planned.timelines),
        kept,
    )
    pairs = planned.tracks.pairs
    prover = KeptProver(provisional, lambda show: _opened(build_image(show)), kept)
    brake = least_stop_frames(
        (plan for plans in planned.plans.values() for plan in plans.values()),
        spare_by_track(planned.show.figure, PLAN_SHARE),
    )
    must_park = any(axis.on_stop == "park" for axis in planned.show.figure.axes.values())
    table = choose_transitions(prover, planned.specs, provisional.scenes, pairs, brake, must_park)
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
    contents = with_extras(with_table(provisional, table), planned, table)
    board = planned.show.figure.board
    inside = board_description(board.kind).image_bytes if board.memory_bytes else None
    image = build_image(contents, inside, board.i2c_khz)
    contents = read_image(image) if inside_bytes(image) < len(image) else contents
    check_bus(contents, board.i2c_khz)
    _opened(image)
    tell("image built", 1.0)
    certified = pairs_with_transitions(poses, table.pair_proofs)
    return BuiltShow(planned, table, contents, image, certificate, certified, late)


def with_extras(contents: ShowImage, planned: PlannedShow, table: TransitionTable) -> ShowImage:
    """The show with what only some shows have."""
    from dataclasses import replace

    from sequencer.tables.extra_clock import check_clock_error, clock_extra
    from sequencer.tables.limits import guard_of
    from sequencer.tables.outputs import sound_of, strings_of
    from sequencer.tables.policies import policy_of, stopping_of

    servos = [spec.servo for spec in planned.specs.values()]
    figure = planned.show.figure
    sounds = {name: [s.at_s for s in scene.sounds] for name, scene in planned.show.scenes.items()}
    check_clock_error(figure.board.clock_error)
    found = (
        policy_of(planned.show.policy.only(planned.timelines), contents),
        stopping_of(figure, contents, servos, table.park_frames),
        guard_of(figure, contents, servos, planned.show.learned),
        strings_of(figure),
        sound_of(figure, contents, sounds),
        clock_extra(figure.board.clock_ppm),
    )
    return replace(contents, extras=(*contents.extras, *(extra for extra in found if extra is not None)))


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


def build_show(folder: Path, tell: Tell = silent) -> BuiltShow:
    """From a folder to the show image; see :func:`read_show`, :func:`plan_show`, :func:`build_planned`."""
    return build_planned(plan_show(read_show(folder), tell=tell), tell)


def checked_for_board(built: BuiltShow, tell: Tell = silent) -> CheckedShow:
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
