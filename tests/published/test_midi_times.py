"""MIDI against the standard's worked values and against pretty_midi on real files.

Sources: Standard MIDI File 1.0 (tempo event, variable-length quantities; read in secondary sources); MIDI
1.0 (14-bit controllers, velocity 0). Real files come from the installed music21 package at test time.
"""

from __future__ import annotations

import io
from pathlib import Path

import mido
import pytest

from sequencer.errors import MidiError
from sequencer.timeline.midi import score_of
from sequencer.timeline.midifile import _varint, parse_midi, read_midi
from sequencer.timeline.midimap import parse_map
from sequencer.timeline.tempo import TempoMap


def real_files() -> list[Path]:
    import music21

    return sorted(Path(music21.__file__).parent.rglob("*.mid"))


def test_the_worked_tempo_map() -> None:
    tempo = TempoMap(480, [(0, 500_000), (960, 400_000), (1440, 1_000_000)])
    assert [tempo.seconds(tick) for tick in (0, 960, 1200, 1440, 1680)] == [0.0, 1.0, 1.2, 1.4, 1.9]


def test_without_a_tempo_event_it_is_120_to_the_minute() -> None:
    assert TempoMap(96, []).seconds(96 * 120) == 60.0


def test_variable_length_quantities() -> None:
    for value, coded in ((0x00, "00"), (0x40, "40"), (0x7F, "7f"), (0x80, "8100"), (0x2000, "c000"),
                         (0x3FFF, "ff7f"), (0x4000, "818000"), (0x0FFFFFFF, "ffffff7f")):  # fmt: skip
        data = bytes.fromhex(coded)
        assert _varint(data, 0, len(data)) == (value, len(data))


def test_fourteen_bits_are_two_controllers() -> None:
    assert (10000 >> 7, 10000 & 127) == (78, 16)
    track = mido.MidiTrack(
        mido.Message("control_change", channel=0, control=number, value=value, time=time)
        for number, value, time in ((16, 78, 0), (48, 16, 0), (48, 17, 480), (16, 79, 480))
    )
    stream = io.BytesIO()
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(file=stream)
    table = parse_map(
        "[axes.turn]\nchannel=1\ncontroller=16\nbits=14\nrange_deg=[0, 163.83]\nsmooth_s=9", "m.toml"
    )
    score, warnings = score_of(parse_midi(stream.getvalue(), "x.mid"), table)
    times, angles = score.axes["turn"]
    assert times == pytest.approx([0, 0.5, 1.0])
    assert angles == pytest.approx([100.00, 100.01, 79 * 128 / 100])  # a new high half clears the low one
    assert not warnings


def test_velocity_0_ends_a_note() -> None:
    track = mido.MidiTrack(
        mido.Message("note_on", note=60, velocity=velocity, time=time)
        for velocity, time in ((64, 0), (0, 480))
    )
    stream = io.BytesIO()
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(file=stream)
    (note,) = parse_midi(stream.getvalue(), "x.mid").notes
    assert (note.time_s, note.end_s, note.velocity) == (0.0, 0.5, 64)


def test_smpte_division_is_refused_and_names_the_byte() -> None:
    header = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, 0xE7, 0x28])
    with pytest.raises(MidiError, match=r"byte 12 is 0xE7 \(25 frames a second, 40 ticks a frame\)"):
        parse_midi(header + b"MTrk" + bytes([0, 0, 0, 4, 0, 0xFF, 0x2F, 0]), "film.mid")


def test_real_files_agree_with_pretty_midi() -> None:
    """Every note's start and every tempo change, to 1e-9 s, on at least ten real files."""
    import pretty_midi

    compared = notes = tempos = 0
    for path in real_files():
        decoded = mido.MidiFile(path)
        if any(m.type == "set_tempo" for track in decoded.tracks[1:] for m in track):
            continue  # pretty_midi reads tempo events of the first track only
        peer, ours = pretty_midi.PrettyMIDI(str(path)), read_midi(path)
        wanted = sorted(
            (note.start, note.pitch) for instrument in peer.instruments for note in instrument.notes
        )
        found = sorted((note.time_s, note.pitch) for note in ours.notes if note.end_s > note.time_s)
        for tick in range(0, max(1, peer.time_to_tick(peer.get_end_time())), 997):
            assert ours.tempo.seconds(tick) == pytest.approx(peer.tick_to_time(tick), abs=1e-9)
        if len(wanted) != len(found):
            continue  # it pairs overlapping notes of one pitch otherwise; the clock above was compared
        assert [pitch for _, pitch in found] == [pitch for _, pitch in wanted]
        assert [time for time, _ in found] == pytest.approx([time for time, _ in wanted], abs=1e-9)
        compared += 1
        notes += len(found)
        tempos += len(ours.tempo.changes)
    assert compared >= 10
    assert notes > 1000
    assert tempos > 50


def test_real_files_agree_with_mido_on_every_event() -> None:
    """All files, tempo events of any track: mido's own clock is the second opinion."""
    for path in real_files():
        decoded = mido.MidiFile(path)
        now, wanted = 0.0, []
        for message in decoded:
            now += message.time
            if message.type == "control_change":
                wanted.append((now, message.control, message.value))
        found = [(c.time_s, c.number, c.value) for c in read_midi(path).controls]
        assert [x[1:] for x in found] == [x[1:] for x in wanted]
        assert [x[0] for x in found] == pytest.approx([x[0] for x in wanted], abs=1e-9)
