"""``quarterjack preview``: see scenes before anything moves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    show: Annotated[Path, typer.Argument(help="The show's folder.")] = Path(),
    scene: Annotated[str | None, typer.Argument(help="Only this scene.")] = None,
    png: Annotated[Path | None, typer.Option("--png", help="Write a still picture here.")] = None,
    torque: Annotated[
        Path | None, typer.Option("--torque", help="Write a still of torque against what the servos have.")
    ] = None,
    html: Annotated[Path | None, typer.Option("--html", help="Write a self-contained page here.")] = None,
) -> None:
    """Draw scenes as wished and as the player plays them; the page plays the real player core."""
    from sequencer.cli.say import console, progress
    from sequencer.errors import Fault, UsageError
    from sequencer.scene_views import scene_views
    from sequencer.show import build_planned, check_built, plan_show
    from sequencer.show_folder import chosen, read_show, with_idle
    from sequencer.view.look import require_suffix

    if png is None and html is None and torque is None:
        raise UsageError(
            Fault(
                "say where to put the preview",
                remedy="add --png FILE for a still, --torque FILE for torques, --html FILE for a page",
            )
        )
    # Before anything is planned: a name that was mistyped should cost no wait.
    for file, endings, what in (
        (png, (".png",), "a picture"),
        (torque, (".png",), "a picture"),
        (html, (".html", ".htm"), "a page"),
    ):
        if file is not None:
            require_suffix(file, endings, what)
    with progress("preview") as bar:
        whole = read_show(show)
        wanted = chosen(whole, [scene] if scene else [])
        planned = plan_show(whole, with_idle(whole, wanted), bar.tell)
        checked = check_built(build_planned(planned, bar.tell), bar.tell)
        views = [view for view in scene_views(checked) if view.scene in wanted]
        if png is not None:
            from sequencer.view.curves import scene_png

            scene_png(views, png)
        if torque is not None:
            from sequencer.view.torque_plot import torque_png

            figure = checked.built.figure
            shares = {name: servo.continuous_share for name, servo in figure.servos.items()}
            torque_png(figure.name, [checked.loads[name] for name in wanted], shares, torque)
        if html is not None:
            from sequencer.player.wasm import wasm_bytes
            from sequencer.view.page import scene_page

            scene_page(views, checked.built.image, wasm_bytes(), html)
    for file in (png, torque, html):
        if file is not None:
            console().print(f"wrote {file}", markup=False)
