"""``quarterjack demo``: the whole road once, on the Lantern Keeper and a fresh virtual board."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from sequencer.board.link import Link
    from sequencer.show import BuiltShow

SCENE = "greet"


def command(
    out: Annotated[Path, typer.Option("-o", "--out", help="Where pictures and files go.")] = Path(
        "build/demo"
    ),
) -> None:
    """Plan, prove, compile, flash and play the Lantern Keeper; needs no hardware."""
    from sequencer.board.chips import CHIPS
    from sequencer.cli.say import console, progress
    from sequencer.cli.showing import print_certificate, print_report, report_text
    from sequencer.firmware.compile import write_outputs
    from sequencer.scene_views import scene_views
    from sequencer.show import build_show, check_built
    from sequencer.show_folder import demo_folder
    from sequencer.view.curves import scene_png

    say = console()
    folder = demo_folder()
    _step(say, 1, f"Reading the figure and its scenes from {folder}, and planning what it can make of them")
    with progress("plan") as bar:
        built = build_show(folder, bar.tell)
        checked = check_built(built, bar.tell)
    print_report(say, checked.report)

    _step(say, 2, "The proof: every scene, and every transition from every moment of the idle loop")
    print_certificate(say, built.certificate)
    loop, scene, frames = built.table.longest
    say.print(
        f"The longest transition, {loop} to {scene}, takes {frames * built.contents.frame_us * 1e-6:.2f} s; "
        "a cue waits for the next common knot before it, at most 0.12 s."
    )

    _step(say, 3, f"Compiling into {out}")
    made = write_outputs(
        *(out, built.contents, built.image, built.planned.specs, built.certificate, built.player),
        report_text(checked),
        built.pairs,
        built.figure.board.memory_bytes,
    )
    for file in made.files:
        say.print(f"  {file}", markup=False)

    protocol = CHIPS[built.figure.board.kind].protocol.replace("stk", "STK")
    _step(
        say,
        4,
        f"Flashing a virtual board through its boot loader ({protocol}), reading back, awaiting its hello",
    )
    link = _flash(say, built)

    _step(say, 5, f"Triggering `{SCENE}` over the link, in the board's own simulated time")
    _play(say, link, built)

    picture = out / "scenes.png"
    scene_png(scene_views(checked), picture)
    _step(say, 6, f"Wished against planned, all scenes: {picture}")
    say.print("On a real figure: keep fingers out of the jaw and the neck, and keep a switch that cuts")
    say.print("servo power within reach. A software stop is not a safety stop.")


def _step(say: Console, number: int, what: str) -> None:
    say.print()
    say.print(f"{number}. {what}", style="bold", markup=False)


def _flash(say: Console, built: BuiltShow) -> Link:
    from sequencer.board.chips import CHIPS
    from sequencer.board.flash import flash_board
    from sequencer.board.link import Link
    from sequencer.board.virtual_boards import fresh_virtual
    from sequencer.cli.say import progress

    kind = built.figure.board.kind
    board = fresh_virtual(kind)
    with progress("flash") as bar:
        done = flash_board(
            board,
            built.flash_bytes,
            built.image_crc32,
            built.player_crc32,
            bar.pages,
            chip=CHIPS[kind],
            outside=built.outside,
            starts_s=built.memory_check_s,
        )
    say.print(
        f"  {done.pages_written} pages written and read back, {board.now_s():.1f} s of the board's time"
    )
    hello = done.hello
    say.print(f"  hello from `{hello.figure}`, image {hello.image_crc:08x}, player {hello.player_crc:08x}")
    return Link(board)


def _play(say: Console, link: Link, built: BuiltShow) -> None:
    from sequencer.errors import LinkError

    number = built.scene_names.index(SCENE)
    link.hello()
    link.wait_ready()
    cue = link.cue(number)
    outcome = None
    told = -1.0
    for step in link.follow(cue, number):
        seconds = step.status.frame * built.contents.frame_us * 1e-6
        if step.status.scene == number and seconds - told >= 2.0:
            told = seconds
            say.print(f"  {seconds:5.2f} of {built.scene_seconds[SCENE]:.2f} s, {step.status.state_words}")
        outcome = step.outcome
    if outcome != "played":
        raise LinkError(f"the scene {SCENE} was {outcome or 'not played'}")
    status = link.status()
    say.print(f"  played to its end; now {status.state_words}, {status.late_frames} frames late")
