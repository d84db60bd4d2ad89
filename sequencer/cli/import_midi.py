"""``quarterjack import midi``: a MIDI file to a score that a scene names."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sequencer.files import replace_file

if TYPE_CHECKING:
    from sequencer.figure.model import Figure


def command(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The MIDI file (.mid).")],
    map: Annotated[
        Path | None,
        typer.Option("--map", help="The mapping table (TOML): which controller or note moves what."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("-o", "--out", help="Where to write the score; without it, the score is printed."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object about what was done.")] = False,
) -> None:
    """Turn a MIDI file into a score: text that a scene brings in, like: score "storm.score" at 0:00.

    Without --map it says what the file holds and shows a mapping table to begin with, which
    -o NAME.map.toml writes.
    """
    from sequencer.cli.say import console, say_json
    from sequencer.errors import Fault, UsageError
    from sequencer.timeline.midi import convert, describe, starting_map
    from sequencer.timeline.midifile import read_midi

    say = console()
    if map is None:
        if out is not None and out.suffix != ".toml":
            raise UsageError(
                Fault(
                    "a score needs a mapping table: which controller or note moves what",
                    str(out),
                    remedy=f"see one with: quarterjack import midi {file}, save it, then give it as --map",
                )
            )
        piece = read_midi(file)
        table, held = starting_map(piece), describe(piece)
        if out is not None:
            if out.exists():
                raise UsageError(
                    Fault("this mapping table exists already", str(out), remedy="give another name to -o")
                )
            replace_file(out, table.encode("utf-8"))
        if json:
            say_json(
                {"schema": 1, "file": str(file), "holds": held, "map": table, "warnings": [*piece.warnings]}
            )
            return
        _warn(piece.warnings)
        say.print(f"{file} holds:", markup=False)
        for line in held:
            say.print(f"  {line}", markup=False)
        if out is None:
            say.print(f"\nA mapping table to begin with; save it as {file.stem}.map.toml, edit it, then:")
            say.print(
                f"  quarterjack import midi {file} --map {file.stem}.map.toml -o {file.stem}.score\n",
                markup=False,
            )
            say.print(table, markup=False)
        else:
            say.print(f"{out}: a mapping table to edit; then give it as --map", markup=False)
        return
    figure, unchecked = _figure_beside(map, out)
    made = convert(file, map, figure)
    if unchecked:
        made = replace(made, warnings=(*made.warnings, unchecked))
    if out is not None:
        replace_file(out, made.text.encode("utf-8"))
    if json:
        report = {"schema": 1, "file": str(file), "score": str(out) if out else made.text}
        say_json({**report, "warnings": [*made.warnings]})
        return
    _warn(made.warnings)
    if out is None:
        sys.stdout.write(made.text)
    else:
        say.print(f'{out}: written. A scene brings it in with: score "{out.name}" at 0:00', markup=False)


def _figure_beside(table: Path, out: Path | None) -> tuple[Figure | None, str]:
    """The figure whose show folder holds the table or the score, and a warning when it cannot be read."""
    from sequencer.errors import FigureError
    from sequencer.figure.read import read_figure

    for folder in dict.fromkeys((table.parent, out.parent if out is not None else table.parent)):
        file = folder / "figure.toml"
        if file.is_file():
            try:
                return read_figure(file), ""
            except FigureError:
                return None, f"{file} has faults: the names in {table.name} were not checked against it"
    return None, ""


def _warn(warnings: tuple[str, ...]) -> None:
    for text in warnings:
        print(f"warning: {text}", file=sys.stderr)
