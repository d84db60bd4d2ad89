"""A standard MIDI file as events in seconds, and what it holds, channel by channel.

mido decodes the messages; the header and the running status are looked at here first, because a
clock in SMPTE frames must be refused (never misread) and an interrupted running status reported.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sequencer.errors import Fault, MidiError
from sequencer.timeline.tempo import TempoMap

MAX_BYTES = 8_000_000
MAX_EVENTS = 400_000
#: Longest piece that makes sense as a scene.
MAX_SECONDS = 3600.0


@dataclass(frozen=True)
class Control:
    """Controller ``number`` of ``channel`` (1..16) takes ``value`` (0..127)."""

    tick: int
    time_s: float
    channel: int
    number: int
    value: int


@dataclass(frozen=True)
class Note:
    """A note of ``channel`` (1..16) from ``time_s`` to ``end_s``."""

    time_s: float
    end_s: float
    channel: int
    pitch: int
    velocity: int


@dataclass(frozen=True)
class MidiPiece:
    """Everything that the importer uses of a MIDI file, in time order.

    ``track_names`` are (number from 1, name); ``ignored`` says in words what else the file holds.
    """

    file: str
    format: int
    tracks: int
    tempo: TempoMap
    controls: tuple[Control, ...]
    notes: tuple[Note, ...]
    length_s: float
    warnings: tuple[str, ...] = ()
    track_names: tuple[tuple[int, str], ...] = ()
    ignored: tuple[str, ...] = ()


@dataclass
class ChannelContents:
    """One channel: controllers and notes with how often, lowest and highest value."""

    controllers: dict[int, tuple[int, int, int]] = field(default_factory=dict)
    notes: dict[int, tuple[int, int, int]] = field(default_factory=dict)


def read_midi(path: Path) -> MidiPiece:
    """Read a MIDI file. Raises :class:`MidiError` for anything that is not a sound one."""
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise MidiError(
            Fault("there is no such MIDI file", str(path), remedy="check its name and folder")
        ) from None
    except OSError as error:
        raise MidiError(Fault(f"the MIDI file cannot be read: {error.strerror}", str(path))) from None
    return parse_midi(data, str(path))


def parse_midi(data: bytes, file: str) -> MidiPiece:
    """Like :func:`read_midi`, from bytes."""
    kind, division = _header(data, file)
    interruptions = _interruptions(data)
    warnings = [
        f"track {gap.track}: running status goes on after a {gap.what} at byte {gap.at}; "
        f"read as if it had not been interrupted"
        for gap in interruptions[:5]
    ]
    import mido  # type: ignore[import-untyped]

    try:
        decoded = mido.MidiFile(file=io.BytesIO(_mended(data, interruptions)), clip=False)
        tracks = [_absolute(track) for track in decoded.tracks]
    except Exception as error:  # mido raises what its decoders happen to raise; none of it is our bug
        detail = _plainly(error, data)
        raise MidiError(
            Fault(f"this MIDI file is damaged: {detail}", file, remedy="export it again from its program")
        ) from None
    if sum(len(track) for track in tracks) > MAX_EVENTS:
        raise MidiError(
            Fault("this MIDI file has too many events", file, limit=str(MAX_EVENTS), remedy="split it")
        )
    tempo = TempoMap(
        division,
        [(tick, message.tempo) for track in tracks for tick, message in track if message.type == "set_tempo"],
    )
    end_tick = max((track[-1][0] for track in tracks if track), default=0)
    length_s = tempo.seconds(end_tick)
    if length_s > MAX_SECONDS:
        raise MidiError(
            Fault("this piece is too long for a scene", file, value=f"{length_s:.0f} s",
                  limit=f"{MAX_SECONDS:.0f} s", remedy="cut it into scenes")
        )  # fmt: skip
    events = sorted((event for track in tracks for event in track), key=lambda event: event[0])
    controls = tuple(
        Control(tick, tempo.seconds(tick), message.channel + 1, message.control, message.value)
        for tick, message in events
        if message.type == "control_change"
    )
    notes, unended = _notes(events, tempo, length_s)
    if unended:
        warnings.append(f"{unended} notes are never ended; they were taken to last to the end")
    ignored = _ignored(events)
    if ignored:
        warnings.append(f"ignored: {'; '.join(ignored)}")
    return MidiPiece(
        file, kind, len(tracks), tempo, controls, notes, length_s, tuple(warnings), _names(tracks), ignored
    )


#: Events that move nothing, one and several.
_IGNORED = {
    "pitchwheel": ("pitch bend", "pitch bends"),
    "program_change": ("program change", "program changes"),
    "aftertouch": ("channel pressure", "channel pressures"),
    "polytouch": ("key pressure", "key pressures"),
    "sysex": ("system exclusive message", "system exclusive messages"),
}


def _ignored(events: list[tuple[int, Any]]) -> tuple[str, ...]:
    """``channel 1: 12 pitch bends`` for every kind of event that the importer makes no use of."""
    counts: dict[tuple[int, str], int] = {}
    for _, message in events:
        if message.type in _IGNORED:
            key = (message.channel + 1 if hasattr(message, "channel") else 0, message.type)
            counts[key] = counts.get(key, 0) + 1
    return tuple(
        (f"channel {channel}: " if channel else "") + f"{count} {_IGNORED[kind][count > 1]}"
        for (channel, kind), count in sorted(counts.items())
    )


def _names(tracks: list[list[tuple[int, Any]]]) -> tuple[tuple[int, str], ...]:
    """The first name of each track that has one, in printable characters, cut at 60."""
    found = []
    for number, track in enumerate(tracks, 1):
        name = next((message.name for _, message in track if message.type == "track_name"), "")
        shown = "".join(letter for letter in name if letter.isprintable()).strip()[:60]
        if shown:
            found.append((number, shown))
    return tuple(found)


def _plainly(error: Exception, data: bytes) -> str:
    """What is wrong with a damaged file, without the decoder's own words where they are known."""
    if isinstance(error, EOFError):
        at, number = 8 + int.from_bytes(data[4:8], "big"), 0
        while at < len(data):
            number += data[at : at + 4] == b"MTrk"
            at += 8 + int.from_bytes(data[at + 4 : at + 8], "big")
        return f"it ends in the middle of track {number}" if number else "it ends before its first track"
    words = str(error)
    for known, plain in (
        ("last_status", "a value stands where an event should begin"),
        ("data byte", "a value is larger than MIDI allows"),
        ("MTrk", "a track does not begin with MTrk"),
    ):
        if known in words:
            return plain
    return f"an event in it makes no sense ({words or type(error).__name__})"


def contents(piece: MidiPiece) -> dict[int, ChannelContents]:
    """What each channel (1..16) uses."""
    channels: dict[int, ChannelContents] = {}
    for control in piece.controls:
        _count(
            channels.setdefault(control.channel, ChannelContents()).controllers, control.number, control.value
        )
    for note in piece.notes:
        _count(channels.setdefault(note.channel, ChannelContents()).notes, note.pitch, note.velocity)
    return dict(sorted(channels.items()))


def _count(table: dict[int, tuple[int, int, int]], key: int, value: int) -> None:
    times, low, high = table.get(key, (0, value, value))
    table[key] = (times + 1, min(low, value), max(high, value))


def _header(data: bytes, file: str) -> tuple[int, int]:
    """(format, ticks per quarter note) of the header chunk."""
    if len(data) > MAX_BYTES:
        raise MidiError(
            Fault("this MIDI file is too big", file, limit=f"{MAX_BYTES} bytes", remedy="split it")
        )
    if data[:4] != b"MThd":
        raise MidiError(
            Fault("this is not a MIDI file: it does not begin with MThd", file,
                  value=data[:4].hex(" ") or "empty", remedy="export a standard MIDI file (.mid)")
        )  # fmt: skip
    if len(data) < 14 or int.from_bytes(data[4:8], "big") < 6:
        raise MidiError(Fault("this MIDI file's header is cut short", file, remedy="export it again"))
    kind = int.from_bytes(data[8:10], "big")
    if kind not in (0, 1):
        raise MidiError(
            Fault(f"MIDI format {kind} is not read (bytes 8 and 9)", file, limit="format 0 or 1",
                  remedy="export it as format 1, one piece to a file")
        )  # fmt: skip
    if data[12] & 0x80:
        frames = 256 - data[12]
        raise MidiError(
            Fault(
                f"this file counts time in SMPTE frames: byte 12 is 0x{data[12]:02X} "
                f"({frames} frames a second, {data[13]} ticks a frame)", file,
                remedy="export it with ticks per quarter note (often called PPQ)",
            )
        )  # fmt: skip
    division = int.from_bytes(data[12:14], "big")
    if division == 0:
        raise MidiError(
            Fault(
                "this file has no ticks to the quarter note (bytes 12 and 13 are 0)",
                file,
                remedy="export it again",
            )
        )
    return kind, division


@dataclass(frozen=True)
class _Interruption:
    """A data byte ``at`` that continues running ``status`` across a meta event or a sysex."""

    track: int
    length_at: int
    what: str
    at: int
    status: int


def _interruptions(data: bytes) -> list[_Interruption]:
    """Wherever running status goes on across something that ends it by the standard.

    A walk that stops quietly where the bytes make no sense: mido then says what is wrong.
    """
    found: list[_Interruption] = []
    at, number = 8 + int.from_bytes(data[4:8], "big"), 0
    while at + 8 <= len(data):
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        if name == b"MTrk":
            number += 1
            end = min(at + 8 + length, len(data))
            found += [_Interruption(number, at + 4, *rest) for rest in _walk(data, at + 8, end)]
        at += 8 + length
    return found


def _walk(data: bytes, at: int, end: int) -> Iterator[tuple[str, int, int]]:
    status, interrupted = 0, ""
    while at < end:
        _, at = _varint(data, at, end)
        if at >= end:
            return
        if data[at] & 0x80:
            head, at = data[at], at + 1
        elif status == 0:
            return
        else:
            if interrupted:
                yield interrupted, at, status
            head = status
        if head in (0xF0, 0xF7, 0xFF):
            interrupted = "meta event" if head == 0xFF else "system exclusive message"
            length, at = _varint(data, at + (head == 0xFF), end)
            at += length
        elif head >= 0xF0:
            return
        else:
            status, interrupted = head, ""
            at += 1 if 0xC0 <= head < 0xE0 else 2


def _mended(data: bytes, interruptions: list[_Interruption]) -> bytes:
    """The file with the left-out status bytes written in, which no reader can misunderstand."""
    out = bytearray(data)
    for gap in reversed(interruptions):
        out.insert(gap.at, gap.status)
        length = int.from_bytes(out[gap.length_at : gap.length_at + 4], "big") + 1
        out[gap.length_at : gap.length_at + 4] = length.to_bytes(4, "big")
    return bytes(out)


def _varint(data: bytes, at: int, end: int) -> tuple[int, int]:
    """A variable-length quantity: seven bits a byte, high bit = more follow (four bytes at most)."""
    value = 0
    for _ in range(4):
        if at >= end:
            break
        byte, at = data[at], at + 1
        value = value << 7 | byte & 0x7F
        if not byte & 0x80:
            break
    return value, at


def _absolute(track: Any) -> list[tuple[int, Any]]:
    tick, out = 0, []
    for message in track:
        tick += message.time
        out.append((tick, message))
    return out


def _notes(events: list[tuple[int, Any]], tempo: TempoMap, length_s: float) -> tuple[tuple[Note, ...], int]:
    """Notes by start, and how many were never ended. Velocity 0 is note-off; the oldest ends first."""
    open_notes: dict[tuple[int, int], list[tuple[float, int]]] = {}
    done: list[Note] = []
    for tick, message in events:
        if message.type not in ("note_on", "note_off"):
            continue
        key = (message.channel + 1, message.note)
        time_s = tempo.seconds(tick)
        if message.type == "note_on" and message.velocity > 0:
            open_notes.setdefault(key, []).append((time_s, message.velocity))
        elif open_notes.get(key):
            begun_s, velocity = open_notes[key].pop(0)
            done.append(Note(begun_s, time_s, *key, velocity))
    unended = 0
    for key, rest in open_notes.items():
        unended += len(rest)
        done += [Note(begun_s, length_s, *key, velocity) for begun_s, velocity in rest]
    return tuple(sorted(done, key=lambda note: (note.time_s, note.channel, note.pitch))), unended
