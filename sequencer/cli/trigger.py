"""``quarterjack trigger``: play a scene on a board and follow it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sequencer.board.connect import PORT_HELP, STATE_HELP
from sequencer.cli.afterwards import Then

if TYPE_CHECKING:
    from sequencer.board.in_step import InStep
    from sequencer.board.link import Link
    from sequencer.board.reports import Hello, News, Status, Step, Trip
    from sequencer.cli.keys import Keys
    from sequencer.cli.say import Progress
    from sequencer.show_model import BuiltShow

#: Where there is no terminal, a line this often, in seconds of the scene.
LINE_EVERY_S = 2.0


def command(
    scene: Annotated[str, typer.Argument(help="The scene's name.")],
    show: Annotated[Path, typer.Argument(help="The show folder.")] = Path(),
    port: Annotated[str, typer.Option(help=PORT_HELP)] = "auto",
    then: Annotated[
        Then,
        typer.Option(
            help="After the last turn: idle on; hold where it stops; or park, which puts the figure to bed: "
            "to the parked pose, then no pulses."
        ),
    ] = Then.IDLE,
    resume: Annotated[
        bool, typer.Option("--resume", help="If the figure is in hold: let it go to rest first.")
    ] = False,
    loop: Annotated[int, typer.Option(min=0, max=255, help="How often; 0: until stopped.")] = 1,
    speed: Annotated[
        float, typer.Option(min=0, help="Simulated boards: times real time; 0: as fast as it goes.")
    ] = 1.0,
    state: Annotated[Path | None, typer.Option(help=STATE_HELP)] = None,
    learn: Annotated[
        bool, typer.Option("--learn", help="Learn for the stall guard what the scene draws (guard.toml).")
    ] = False,
    stream: Annotated[
        bool,
        typer.Option(
            "--stream",
            help="The scene comes from this computer instead of the board's memory. Motion only, once; "
            "a computer that falls silent leads to a stop and to rest.",
        ),
    ] = False,
    carries: Annotated[
        Path | None,
        typer.Option(
            help="With --stream: the show folder that the board carries instead, of the same figure."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Play a scene and follow it to its end. Space or Ctrl-C stops the figure softly (hold).

    A software stop is not a safety stop: keep the switch that cuts the servos' power in reach.
    """
    from sequencer.board.connect import is_simulated, open_port
    from sequencer.board.in_step import InStep
    from sequencer.board.link import Link
    from sequencer.board.reports import POWERLESS
    from sequencer.cli.afterwards import can_end_so, caution, end_so, leave_hold, without_power
    from sequencer.cli.board_health import Checkup
    from sequencer.cli.keys import keys
    from sequencer.cli.lesson import Lesson
    from sequencer.cli.other_calibration import tell_other_calibration
    from sequencer.cli.ready import require_calibrated, require_ends
    from sequencer.cli.say import console, progress, say_json
    from sequencer.cli.start_cautions import memory_words, start_cautions
    from sequencer.errors import UsageError
    from sequencer.show import build_show
    from sequencer.tables.extra_clock import clock_trim

    if loop == 0 and then is not Then.IDLE:
        raise UsageError("--loop 0 has no last turn after which it could " + then)
    if stream:
        from sequencer.cli.stream import stream_scene

        if loop != 1 or learn:
            raise UsageError("a streamed scene plays once, and nothing is learned from it")
        stream_scene(
            scene, show, carries, port, speed or None, state, then=then, resume=resume, as_json=as_json
        )
        return
    if carries is not None:
        raise UsageError("--carries is for --stream: without it the board plays what it carries")

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    # On a terminal a bar moves; elsewhere lines tell that something does.
    piped = not sys.stderr.isatty()
    if piped:
        tell(f"planning and proving {show_name(show)}")
    with progress("compile") as bar:
        built = build_show(show, bar.tell)
    number = scene_number(scene, built.scene_names)
    can_end_so(then, built)
    if is_simulated(port):
        if learn:
            raise UsageError(
                "a simulated board has no servos: what it draws teaches nothing; --learn is for the figure"
            )
        tell(f"waiting for the {port} board's hello and for the figure to settle")
    else:
        require_ends(built.figure)
        require_calibrated(built.figure)
        tell("opening the port may reset the board; waiting for its hello and for the figure to settle")
    seconds = built.scene_seconds[scene]
    lesson = Lesson(built, number) if learn else None
    often = "until stopped" if loop == 0 else "once" if loop == 1 else f"{loop} times"
    kind = built.figure.board.kind
    for words in memory_words(built.memory_check_s):
        tell(words)
    transport = open_port(port, speed=speed or None, state=state, kind=kind)
    with Link(transport, starts_s=built.memory_check_s) as link:
        hello = check_carries(link, built.image_crc32, show, built.figure.name)
        for words in (*start_cautions(hello, is_simulated(port)), *caution(then, built.figure)):
            tell(words)
        tell_other_calibration(link, built.figure, tell)
        leave_hold(link, resume, f"quarterjack trigger {scene} {show} --port {port}", tell)
        if lesson is not None:
            link.learn(True)
        checkup = Checkup(link)
        step = InStep(link, clock_trim(built.contents))
        cue = link.cue(number, loop)
        tell(f"{scene}: {seconds:.2f} s, {often}; cued")
        try:
            with progress(scene) as bar, keys(words=False) as pressed:
                watched = Watched(loop, seconds, bar, tell if piped else None)
                steps = link.follow(cue, number)
                if lesson is not None:
                    steps = lesson.watch(link, steps)
                steps = _told(_in_step(steps, step), built, tell)
                outcome, late = _watch(link, steps, pressed, watched)
        except KeyboardInterrupt:
            link.hold()
            outcome, late = "stopped", link.status().late_frames
        step.leave()
        health = checkup.after()
        if lesson is not None:
            lesson.finish(link)
            tell(lesson.save(show))
        if health is not None and health.words is not None:
            tell(health.words)
        if outcome != POWERLESS:
            tell(f"{scene}: {ending(outcome, loop)}")
        final = end_so(link, then if outcome == "played" else Then.IDLE, tell)
        if outcome != "played" and then is not Then.IDLE:
            tell(f"so it does not {then} of itself; the board is in {final}")
    if as_json:
        say_json(
            {
                "schema": 1,
                "scene": scene,
                "outcome": outcome,
                "turns": loop,
                "scene_s": seconds,
                "late_frames": late,
                "telemetry": None if health is None else health.as_json(),
                "state": final,
            }
        )
    if outcome == POWERLESS:
        raise without_power(scene)


def _in_step(steps: Iterator[Step], step: InStep) -> Iterator[Step]:
    """The same steps, the board's clock looked at between them."""
    for each in steps:
        if each.outcome is None:
            step.look()
        yield each


def _told(steps: Iterator[Step], built: BuiltShow, tell: Callable[[str], None]) -> Iterator[Step]:
    """The same steps; trips of the stall guard and what the board tells of itself are told as they come."""
    for step in steps:
        tell_events(step.trips, step.news, built, tell)
        yield step


def tell_events(
    trips: Sequence[Trip],
    news: Sequence[News],
    built: BuiltShow,
    tell: Callable[[str], None],
    here: str = "between scenes",
) -> None:
    """Tell what tripped (``here``, where the board itself knows of no scene) and what else happened."""
    from sequencer.cli.lesson import trip_words

    for trip in trips:
        tell(trip_words(built, trip, here))
    for each in news:
        tell(each.words)


def ending(outcome: str, turns: int) -> str:
    """How it ended, in words."""
    if outcome == "stopped":
        return "stopped by hold"
    return "played to its end" if turns == 1 else f"played {turns} times, to its end"


def show_name(show: Path) -> str:
    """The folder as a person names it."""
    return show.name or str(show.resolve())


class Watched:
    """Tells how far a scene is: on a bar, and every few seconds as a line where there is none."""

    def __init__(self, turns: int, seconds: float, bar: Progress, tell: Callable[[str], None] | None) -> None:
        self._turns = turns
        self._seconds = seconds
        self._bar = bar
        self._tell = tell
        self._told: tuple[int, float] | None = None

    def look(self, status: Status) -> None:
        """One look at a board that plays the scene; ``frame`` counts from the turn's start."""
        if not status.frames:
            return
        share = min(1.0, status.frame / status.frames)
        turn = max(1, self._turns - status.repeats_left + 1)
        what = f"turn {turn} of {self._turns}" if self._turns > 1 else status.state_words
        self._bar.tell(what, share)
        now_s = share * self._seconds
        if self._tell is None:
            return
        if self._told is None or turn != self._told[0] or not 0.0 <= now_s - self._told[1] < LINE_EVERY_S:
            self._told = turn, now_s
            self._tell(f"  {now_s:5.2f} of {self._seconds:.2f} s, {what}")


def scene_number(scene: str, names: list[str]) -> int:
    """The scene's number in the image.

    Raises:
        UsageError: no such scene; lists those there are.

    """
    import difflib

    from sequencer.errors import Fault, UsageError

    if scene in names:
        return names.index(scene)
    near = difflib.get_close_matches(scene, names, n=1)
    raise UsageError(
        Fault(
            f"there is no scene `{scene}`" + (f"; did you mean `{near[0]}`?" if near else ""),
            value=f"scenes: {', '.join(names) or 'none'}",
        )
    )


def check_carries(link: Link, image_crc32: int, show: Path, figure: str) -> Hello:
    """Refuse a board that carries another show than the folder, whose figure is called ``figure``; its hello.

    Raises:
        LinkError: says what the board carries and how to flash.

    """
    from sequencer.board.reports import fault_remedy
    from sequencer.cli.say import as_typed
    from sequencer.errors import Fault, LinkError

    hello = link.hello()
    if hello.fault == 0 and hello.image_crc == image_crc32:
        return hello
    made = f"this folder makes `{figure}` (image {image_crc32:08x})"
    if hello.fault != 0:
        raise LinkError(
            Fault(f"{hello.fault_words}; {made}", remedy=fault_remedy(hello.fault, as_typed(show)))
        )
    words = f"the board carries `{hello.figure}` (image {hello.image_crc:08x}), {made}"
    raise LinkError(Fault(words, remedy=f"quarterjack flash {as_typed(show)} with the same --port"))


def _watch(link: Link, steps: Iterator[Step], pressed: Keys, watched: Watched) -> tuple[str, int]:
    """Follow to the end, hold on space; the outcome and the frames that were late."""
    from sequencer.board.reports import SCENE

    held = False
    for step in steps:
        if step.status.state == SCENE and step.outcome is None:
            watched.look(step.status)
        if step.outcome is not None:
            return step.outcome, step.status.late_frames
        if not held and pressed.read(0.0) in ("space", "q", "esc"):
            link.hold()
            held = True
    raise AssertionError("a followed cue ends with an outcome or an error")
