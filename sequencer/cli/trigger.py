"""``quarterjack trigger``: play a scene on a board and follow it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sequencer.board.connect import PORT_HELP, STATE_HELP

if TYPE_CHECKING:
    from sequencer.board.link import Link, Step
    from sequencer.cli.keys import Keys
    from sequencer.cli.say import Progress


def command(
    scene: Annotated[str, typer.Argument(help="The scene's name.")],
    show: Annotated[Path, typer.Argument(help="The show folder.")] = Path(),
    port: Annotated[str, typer.Option(help=PORT_HELP)] = "auto",
    loop: Annotated[int, typer.Option(min=0, max=255, help="How often; 0: until stopped.")] = 1,
    speed: Annotated[
        float, typer.Option(min=0, help="Simulated boards: times real time; 0: as fast as it goes.")
    ] = 1.0,
    state: Annotated[Path | None, typer.Option(help=STATE_HELP)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Play a scene and follow it to its end. Space or Ctrl-C stops the figure softly (hold).

    A software stop is not a safety stop: keep the switch that cuts the servos' power in reach.
    """
    from sequencer.board.connect import is_simulated, open_port
    from sequencer.board.link import HOLD, Link
    from sequencer.cli.keys import keys
    from sequencer.cli.ready import require_ends
    from sequencer.cli.say import console, progress, say_json
    from sequencer.show import build_show

    with progress("compile") as bar:
        built = build_show(show, bar.tell)
    number = scene_number(scene, built.scene_names)
    if not is_simulated(port):
        require_ends(built.figure)
        if not as_json:
            console().print("opening the port may reset the board; waiting for its hello", markup=False)
    seconds = built.scene_seconds[scene]
    with Link(open_port(port, speed=speed or None, state=state)) as link:
        check_carries(link, built.image_crc32, show)
        was = link.wait_ready()
        if was.state == HOLD:
            link.resume()
            link.wait_ready(held=False)
        cue = link.cue(number, loop)
        try:
            with progress(scene) as bar, keys(words=False) as pressed:
                outcome, late = _watch(link, link.follow(cue, number), pressed, bar, loop)
        except KeyboardInterrupt:
            link.hold()
            outcome, late = "stopped", link.status().late_frames
    if as_json:
        say_json(
            {
                "schema": 1,
                "scene": scene,
                "outcome": outcome,
                "turns": loop,
                "scene_s": seconds,
                "late_frames": late,
            }
        )
        return
    words = {"played": "played to its end", "stopped": "stopped by hold"}[outcome]
    said = f"{scene}: {words}" + (f"; {late} frames were late on the board" if late else "")
    console().print(said, markup=False)


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
            f"there is no scene {scene!r}" + (f"; did you mean {near[0]!r}?" if near else ""),
            value=f"scenes: {', '.join(names) or 'none'}",
        )
    )


def check_carries(link: Link, image_crc32: int, show: Path) -> None:
    """Refuse a board that carries another show than the folder.

    Raises:
        LinkError: says what the board carries and how to flash.

    """
    from sequencer.errors import Fault, LinkError

    hello = link.hello()
    if hello.fault == 0 and hello.image_crc == image_crc32:
        return
    raise LinkError(
        Fault(
            "the board carries another show than this folder" if hello.fault == 0 else hello.fault_words,
            quantity="image CRC",
            value=f"{hello.image_crc:08x}" + (f" ({hello.figure!r})" if hello.figure else ""),
            limit=f"{image_crc32:08x}",
            remedy=f"quarterjack flash {show} with the same --port",
        )
    )


def _watch(link: Link, steps: Iterator[Step], pressed: Keys, bar: Progress, turns: int) -> tuple[str, int]:
    """Follow to the end, hold on space; the outcome and the frames that were late."""
    held = False
    for step in steps:
        status = step.status
        if status.frames:
            what = f"{status.repeats_left} turns to go" if turns > 1 else status.state_words
            bar.tell(what, min(1.0, status.frame / status.frames))
        if step.outcome is not None:
            return step.outcome, status.late_frames
        if not held and pressed.read(0.0) in ("space", "q", "esc"):
            link.hold()
            held = True
    raise AssertionError("a followed cue ends with an outcome or an error")
