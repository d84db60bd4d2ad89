"""MIDI to score: controllers, notes and hits by a mapping table, at the exact seconds of the tempo map."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sequencer.errors import Fault, MidiError
from sequencer.timeline.midifile import ChannelContents, MidiPiece, Note, contents, read_midi
from sequencer.timeline.score import LampPoint, Score, SwitchWord, format_score
from sequencer.timeline.words import listed

if TYPE_CHECKING:
    from sequencer.figure.model import Figure
    from sequencer.timeline.midimap import MidiMap

_FULL = {7: 127, 14: 16383}


@dataclass(frozen=True)
class Imported:
    """A score as text, and what the builder should know about how it came to be."""

    text: str
    warnings: tuple[str, ...]


def import_midi(path: Path, map_path: Path) -> str:
    """The score text of a MIDI file under a mapping table. Raises :class:`MidiError`."""
    return convert(path, map_path).text


def convert(path: Path, map_path: Path, figure: Figure | None = None) -> Imported:
    """Like :func:`import_midi`, with the warnings; names are checked against ``figure`` when it is given."""
    from sequencer.timeline.midimap import check_names, read_map

    piece = read_midi(path)
    table = read_map(map_path)
    if figure is not None:
        names = {"axes": figure.axes, "lamps": figure.lamps, "switches": figure.switches}
        check_names(table, names, map_path.read_text(encoding="utf-8"))
    score, more = score_of(piece, table)
    warnings = (*piece.warnings, *more)
    remarks = [f"made from {path.name} with {map_path.name}", *(f"warning: {text}" for text in warnings)]
    return Imported(format_score(score, remarks), warnings)


def score_of(piece: MidiPiece, table: MidiMap) -> tuple[Score, list[str]]:
    """The score of a piece, and warnings. Raises :class:`MidiError` for a mapping that finds nothing."""
    from sequencer.timeline.midimap import AxisByController, LampByController

    faults: list[Fault] = []
    warnings: list[str] = []
    held = contents(piece)
    axes, lamps, switches = {}, {}, {}
    for name, axis in table.axes.items():
        if isinstance(axis, AxisByController):
            values = _values(piece, name, axis.channel, axis.controller, axis.bits, held, faults, warnings)
            points = _joined(_scaled(values, axis.bits, axis.range_deg), axis.smooth_s)
        else:
            notes = _notes(piece, name, axis.channel, axis.span, held, faults)
            points = _openings(notes, axis.open_deg, axis.shut_deg, axis.open_s, axis.shut_s)
        if points:
            axes[name] = (np.array([t for t, _ in points]), np.array([a for _, a in points]))
    for name, lamp in table.lamps.items():
        if isinstance(lamp, LampByController):
            values = _values(piece, name, lamp.channel, lamp.controller, lamp.bits, held, faults, warnings)
            lamps[name] = tuple(_levels(_scaled(values, lamp.bits, lamp.range_percent)))
        else:
            notes = _notes(piece, name, lamp.channel, lamp.span, held, faults)
            lamps[name] = tuple(_hits(notes, lamp.hit_percent / 100, lamp.rest_percent / 100, lamp.fade_s))
    for name, switch in table.switches.items():
        notes = _notes(piece, name, switch.channel, switch.span, held, faults)
        switches[name] = tuple(_presses(notes, switch.does == "hold"))
    if faults:
        raise MidiError.from_faults(faults)
    return Score(axes, lamps, switches), warnings


# -- picking ----------------------------------------------------------------------------------


def _values(
    piece: MidiPiece, name: str, channel: int, controller: int, bits: int,
    held: dict[int, ChannelContents], faults: list[Fault], warnings: list[str],
) -> list[tuple[float, int]]:  # fmt: skip
    """(time, value 0..127 or 0..16383) of a controller, one for each tick at which it changes.

    A new high half clears the low half, as the MIDI standard has it.
    """
    present = held.get(channel, ChannelContents()).controllers
    if controller not in present:
        faults.append(_nothing(piece, name, f"no controller {controller}", channel, present, "controllers"))
        return []
    if bits == 14 and controller + 32 not in present:
        warnings.append(
            f"{name}: controller {controller + 32}, the low half, never comes; the steps are coarse"
        )
    wanted = {controller} if bits == 7 else {controller, controller + 32}
    by_tick: dict[int, tuple[float, int]] = {}
    high = low = 0
    for control in piece.controls:
        if control.channel != channel or control.number not in wanted:
            continue
        if control.number == controller:
            high, low = control.value, 0
        else:
            low = control.value
        by_tick[control.tick] = (control.time_s, high if bits == 7 else high << 7 | low)
    return list(by_tick.values())


def _notes(
    piece: MidiPiece, name: str, channel: int, span: tuple[int, int],
    held: dict[int, ChannelContents], faults: list[Fault],
) -> list[Note]:  # fmt: skip
    found = [note for note in piece.notes if note.channel == channel and span[0] <= note.pitch <= span[1]]
    if not found:
        present = held.get(channel, ChannelContents()).notes
        wanted = f"{span[0]}" if span[0] == span[1] else f"{span[0]} to {span[1]}"
        faults.append(_nothing(piece, name, f"no note {wanted}", channel, present, "notes"))
    return found


def _nothing(
    piece: MidiPiece, name: str, what: str, channel: int, present: Iterable[int], kind: str
) -> Fault:
    there = [str(number) for number in sorted(present)[:12]]
    return Fault(
        f"{name}: there is {what} on channel {channel}", piece.file,
        remedy=f"channel {channel} has {kind} {listed(there, 'and')}" if there
        else f"channel {channel} has no {kind}; run the import without --map to see what the file holds",
    )  # fmt: skip


# -- shaping ----------------------------------------------------------------------------------


def _scaled(
    values: Sequence[tuple[float, int]], bits: int, ends: tuple[float, float]
) -> list[tuple[float, float]]:
    low, high = ends
    return [(time_s, low + (high - low) * value / _FULL[bits]) for time_s, value in values]


def _joined(points: Sequence[tuple[float, float]], smooth_s: float) -> list[tuple[float, float]]:
    """Controller values as points of a curve; after a pause the old value holds until ``smooth_s`` before."""
    out: list[tuple[float, float]] = []
    for time_s, value in points:
        if out and time_s - out[-1][0] > smooth_s and value != out[-1][1]:
            out.append((time_s - smooth_s, out[-1][1]))
        out.append((time_s, value))
    return out


def _openings(
    notes: Sequence[Note], open_deg: float, shut_deg: float, open_s: float, shut_s: float
) -> list[tuple[float, float]]:
    """Each note opens by its velocity and shuts at its end; the next note takes over from where it is."""
    changes: list[tuple[float, float, float]] = []  # time, goal, over
    for index, note in enumerate(notes):
        goal = shut_deg + (open_deg - shut_deg) * note.velocity / 127
        changes.append((note.time_s, goal, open_s))
        following = notes[index + 1].time_s if index + 1 < len(notes) else float("inf")
        end_s = max(note.end_s, note.time_s + open_s)
        if end_s < following:
            changes.append((end_s, shut_deg, shut_s))
    out: list[tuple[float, float]] = [(0.0, shut_deg)]
    goal_s = 0.0
    for time_s, goal, over_s in changes:
        if out[-1][0] > time_s:  # still on its way: cut the ramp here
            end_s, end = out.pop()
            begin_s, begin = out[-1]
            here = begin + (end - begin) * (time_s - begin_s) / (end_s - begin_s) if end_s > begin_s else end
            out.append((time_s, here))
        elif time_s > goal_s:
            out.append((time_s, out[-1][1]))
        goal_s = time_s + over_s
        out.append((goal_s, goal))
    return out


def _levels(points: Sequence[tuple[float, float]]) -> list[LampPoint]:
    """Lamp levels in half per cents, repeats left out."""
    out: list[LampPoint] = []
    for time_s, percent in points:
        level = round(percent * 2) / 200
        if not out or out[-1].level != level:
            out.append(LampPoint(time_s, level))
    return out


def _hits(notes: Sequence[Note], hit: float, rest: float, fade_s: float) -> list[LampPoint]:
    out: list[LampPoint] = []
    for note in notes:
        out.append(LampPoint(note.time_s, rest + (hit - rest) * note.velocity / 127))
        out.append(LampPoint(note.time_s, rest, fade_s))
    return out


def _presses(notes: Sequence[Note], hold: bool) -> list[tuple[float, SwitchWord]]:
    if not hold:
        return [(note.time_s, "strike") for note in notes]
    spans: list[list[float]] = []
    for note in notes:  # overlapping notes hold together
        if spans and note.time_s <= spans[-1][1]:
            spans[-1][1] = max(spans[-1][1], note.end_s)
        else:
            spans.append([note.time_s, note.end_s])
    out: list[tuple[float, SwitchWord]] = []
    for begin_s, end_s in spans:
        out += [(begin_s, "on"), (end_s, "off")]
    return out


# -- what a file holds -----------------------------------------------------------------------


def describe(piece: MidiPiece) -> list[str]:
    """What a MIDI file holds, one plain line each."""
    changes = piece.tempo.changes
    lines = [
        f"format {piece.format}, {piece.tracks} tracks, {piece.length_s:.2f} s, "
        f"{piece.tempo.ticks_per_quarter} ticks to the quarter, "
        f"{len(changes)} tempo{'s' if len(changes) > 1 else ''}, "
        f"the first {6e7 / max(1, changes[0][1]):.4g} a minute"
    ]
    lines += [f"track {number}: {name}" for number, name in piece.track_names]
    for channel, held in contents(piece).items():
        for number, (times, low, high) in sorted(held.controllers.items()):
            half = (
                f" (low half of {number - 32})"
                if 32 <= number < 64 and number - 32 in held.controllers
                else ""
            )
            lines.append(f"channel {channel}: controller {number}{half}, {times} values from {low} to {high}")
        if held.notes:
            pitches = sorted(held.notes)
            total = sum(count for count, _, _ in held.notes.values())
            shown = listed([str(p) for p in pitches[:8]], "and") + (" ..." if len(pitches) > 8 else "")
            lines.append(f"channel {channel}: {total} notes, {shown}")
    if not contents(piece):
        lines.append("no controllers and no notes")
    lines += [f"ignored: {what}" for what in piece.ignored]
    return lines


def _span(pitches: Sequence[int]) -> str:
    return str(pitches[0]) if len(pitches) == 1 else f"[{pitches[0]}, {pitches[-1]}]"


def starting_map(piece: MidiPiece) -> str:
    """A commented mapping table to begin with: every controller and note of the file, to be renamed."""
    out = [f"# Mapping table for {Path(piece.file).name}: rename each section to a channel of your figure,",
           "# delete what you don't need.", ""]  # fmt: skip
    for channel, held in contents(piece).items():
        for number in sorted(held.controllers):
            if 32 <= number < 64 and number - 32 in held.controllers:
                continue
            bits = 14 if number < 32 and number + 32 in held.controllers else 7
            out += [
                f"[axes.axis_{channel}_{number}]",
                f"channel = {channel}",
                f"controller = {number}",
                f"bits = {bits}",
                f"range_deg = [-20, 20]      # what 0 and {_FULL[bits]} mean",
                "",
            ]
        if held.notes:
            pitches = sorted(held.notes)
            out += [
                f"[switches.switch_{channel}]",
                f"channel = {channel}",
                f"notes = {_span(pitches)}   # one note: notes = 72; all from 60 to 72: notes = [60, 72]",
                'does = "strike"            # or "hold"',
                "",
            ]
    return "\n".join(out)
