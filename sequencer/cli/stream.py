"""``quarterjack trigger --stream``: a scene from this computer, on a board that has no room for it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.board.in_step import InStep
    from sequencer.board.link import Link
    from sequencer.board.reports import News, Trip
    from sequencer.board.streaming import Hear, SceneStream, Streamed
    from sequencer.cli.afterwards import Then
    from sequencer.cli.say import Progress
    from sequencer.show_model import BuiltShow, PlannedShow


def stream_scene(
    scene: str,
    show: Path,
    carries: Path | None,
    port: str,
    speed: float | None,
    state: Path | None,
    *,
    then: Then,
    resume: bool,
    as_json: bool,
) -> None:
    """Stream one scene and say how it went.

    Raises:
        UsageError: no such scene, or the folder that the board carries is of another figure.
        LinkError: the board carries something else, the link is lost, or the points came too late.

    """
    from sequencer.board.connect import is_simulated, open_port
    from sequencer.board.in_step import InStep
    from sequencer.board.link import Link
    from sequencer.board.reports import POWERLESS
    from sequencer.board.streaming import SceneStream, scene_parts
    from sequencer.cli.afterwards import Then, can_end_so, caution, end_so, leave_hold, without_power
    from sequencer.cli.board_health import Checkup
    from sequencer.cli.other_calibration import tell_other_calibration
    from sequencer.cli.ready import require_calibrated, require_ends
    from sequencer.cli.say import console, progress, say_json
    from sequencer.cli.start_cautions import memory_words, start_cautions
    from sequencer.cli.trigger import check_carries, ending, tell_events
    from sequencer.errors import Fault, LinkError
    from sequencer.tables.extra_clock import clock_trim

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    with progress("compile") as bar:
        planned, built = _made(scene, show, carries, bar)
    seconds = planned.timelines[scene].duration_s
    can_end_so(then, built)
    parts = scene_parts(planned.plans[scene], list(planned.specs), planned.tracks.pairs)
    tracks = sum(len(part.numbers) for part in parts)
    if not is_simulated(port):
        require_ends(built.figure)
        require_calibrated(built.figure)
    tell("motion only: a streamed scene leaves lamps, switches and sounds as they are")
    for words in memory_words(built.memory_check_s):
        tell(words)
    transport = open_port(port, speed=speed, state=state, kind=built.figure.board.kind)
    with Link(transport, starts_s=built.memory_check_s) as link:
        hello = check_carries(link, built.image_crc32, carries or show, built.figure.name)
        for words in (*start_cautions(hello, is_simulated(port)), *caution(then, built.figure)):
            tell(words)
        tell_other_calibration(link, built.figure, tell)
        leave_hold(link, resume, f"quarterjack trigger {scene} {show} --port {port} --stream", tell)
        tell(f"{scene}: {seconds:.2f} s, {tracks} tracks, streamed")
        checkup = Checkup(link)
        step = InStep(link, clock_trim(built.contents), hasty=True)
        playing = SceneStream(link, parts)

        def hear(trips: Sequence[Trip], news: Sequence[News]) -> None:
            tell_events(trips, news, built, tell, f"{playing.now_s:.2f} s into {scene}")

        with progress(scene) as bar:
            told = _played(link, playing, step, hear, bar, seconds)
        step.leave()
        health = checkup.after()
        if health is not None and health.words is not None:
            tell(health.words)
        if told.outcome not in (POWERLESS, "underrun"):
            tell(f"{scene}: {ending(told.outcome, 1)}")
        final = end_so(link, then if told.outcome == "played" else Then.IDLE, tell)
    if as_json:
        say_json(
            {
                "schema": 1,
                "scene": scene,
                "outcome": told.outcome,
                "streamed": True,
                "tracks": tracks,
                "underrun_of": told.short,
                "telemetry": None if health is None else health.as_json(),
                "state": final,
            }
        )
    if told.outcome == POWERLESS:
        raise without_power(scene)
    if told.outcome == "underrun":
        raise LinkError(
            Fault(
                f"{scene}: its points came too late (underrun of {told.short}); the figure is at rest",
                remedy="free this computer or shorten the cable's way (hubs), then trigger it again; "
                "a scene in the board's memory needs no computer",
            )
        )


def _made(scene: str, show: Path, carries: Path | None, bar: Progress) -> tuple[PlannedShow, BuiltShow]:
    """The scene as planned, and the show that the board carries, which is of the same figure."""
    from sequencer.cli.trigger import scene_number
    from sequencer.errors import Fault, UsageError
    from sequencer.show import build_show, plan_show, read_show

    if carries is None:
        built = build_show(show, bar.tell)
        scene_number(scene, built.scene_names)
        return built.planned, built
    read = read_show(show)
    scene_number(scene, list(read.scenes))
    planned = plan_show(read, [scene], bar.tell)
    built = build_show(carries, bar.tell)
    # Names, pins, zeros, limits: a point must mean the same pulse, and be checked by the same bounds.
    if planned.specs != built.planned.specs or planned.tracks.pairs != built.planned.tracks.pairs:
        raise UsageError(
            Fault(
                f"the figure of {carries} is not that of {show}: a streamed point would mean another pose",
                remedy="use the same figure.toml in both folders",
            )
        )
    return planned, built


def _played(
    link: Link, playing: SceneStream, step: InStep, hear: Hear, bar: Progress, seconds: float
) -> Streamed:
    """Stream it, the board's clock in step; space or Ctrl-C stops softly (hold)."""
    from sequencer.board.streaming import Streamed
    from sequencer.cli.keys import keys

    def tell(now_s: float) -> None:
        bar.tell("streamed", min(1.0, now_s / seconds))
        step.look()

    with keys(words=False) as pressed:
        try:
            return playing.play(tell, lambda: pressed.read(0.0) in ("space", "q", "esc"), hear)
        except KeyboardInterrupt:
            link.hold()
            return Streamed("stopped", {}, {})  # whatever was being asked just then, nobody knows its answer
