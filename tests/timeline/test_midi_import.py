from __future__ import annotations

import io
import json
from pathlib import Path

import mido
import pytest
import typer
from hypothesis import example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from sequencer.cli.import_midi import command
from sequencer.errors import MidiError, UsageError
from sequencer.timeline.midi import convert, describe, import_midi, score_of, starting_map
from sequencer.timeline.midifile import MidiPiece, parse_midi, read_midi
from sequencer.timeline.midimap import parse_map
from sequencer.timeline.score import parse_score


def midi_bytes(*messages: mido.Message, ticks: int = 480) -> bytes:
    stream = io.BytesIO()
    mido.MidiFile(ticks_per_beat=ticks, tracks=[mido.MidiTrack(messages)]).save(file=stream)
    return stream.getvalue()


def control(number: int, value: int, beats: float, channel: int = 1) -> mido.Message:
    ticks = round(beats * 480)
    return mido.Message("control_change", channel=channel - 1, control=number, value=value, time=ticks)


def note(pitch: int, velocity: int, beats: float, channel: int = 1) -> mido.Message:
    return mido.Message(
        "note_on", channel=channel - 1, note=pitch, velocity=velocity, time=round(beats * 480)
    )


def piece(*messages: mido.Message) -> MidiPiece:
    return parse_midi(midi_bytes(*messages), "x.mid")


def test_a_controller_moves_an_axis_and_holds_in_pauses() -> None:
    table = parse_map("[axes.turn]\nchannel=1\ncontroller=7\nrange_deg=[-63.5, 63.5]\nsmooth_s=0.1", "m.toml")
    score, _ = score_of(piece(control(7, 64, 0), control(7, 84, 0.1), control(7, 24, 4)), table)
    times, angles = score.axes["turn"]
    assert times == pytest.approx([0, 0.05, 1.95, 2.05])
    assert angles == pytest.approx([0.5, 20.5, 20.5, -39.5])


def test_notes_open_a_jaw_by_their_velocity() -> None:
    table = parse_map("[axes.jaw]\nchannel=1\nnotes=[50, 70]\nopen_deg=20\nopen_s=0.1\nshut_s=0.2", "m.toml")
    score, _ = score_of(piece(note(60, 127, 1), note(60, 0, 1), note(62, 64, 2), note(62, 0, 1)), table)
    times, angles = score.axes["jaw"]
    assert times == pytest.approx([0, 0.5, 0.6, 1.0, 1.2, 2.0, 2.1, 2.5, 2.7])
    assert angles == pytest.approx([0, 0, 20, 20, 0, 0, 20 * 64 / 127, 20 * 64 / 127, 0])


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.integers(1, 127), st.floats(0, 1), st.floats(0.01, 1.5)), min_size=1, max_size=12)
)
def test_openings_never_jump_or_go_back(notes: list[tuple[int, float, float]]) -> None:
    table = parse_map("[axes.jaw]\nchannel=1\nnotes=60\nopen_deg=20\nopen_s=0.1\nshut_s=0.2", "m.toml")
    messages = [m for velocity, gap, length in notes for m in (note(60, velocity, gap), note(60, 0, length))]
    times, angles = score_of(piece(*messages), table)[0].axes["jaw"]
    gaps = times[1:] - times[:-1]
    assert (gaps >= 0).all()
    assert (abs(angles[1:] - angles[:-1]) <= 20 / 0.1 * gaps + 1e-9).all()
    assert angles.min() >= 0
    assert angles.max() <= 20
    assert angles[-1] == 0


def test_lamps_by_hits_and_by_controller() -> None:
    table = parse_map(
        "[lamps.left_eye]\nchannel=1\nnotes=38\nhit_percent=100\nrest_percent=20\nfade_s=0.5\n"
        "[lamps.right_eye]\nchannel=2\ncontroller=1\nrange_percent=[10, 90]", "m.toml",
    )  # fmt: skip
    score, _ = score_of(
        piece(
            note(38, 127, 1),
            note(38, 0, 1),
            control(1, 0, 0, 2),
            control(1, 127, 1, 2),
            control(1, 127, 1, 2),
        ),
        table,
    )
    left = [(p.time_s, p.level, p.over_s) for p in score.lamps["left_eye"]]
    assert left == [(0.5, 1.0, 0.0), (0.5, 0.2, 0.5)]
    assert [(p.time_s, p.level) for p in score.lamps["right_eye"]] == [(1.0, 0.1), (1.5, 0.9)]


def test_switches_strike_or_hold() -> None:
    messages = (note(49, 90, 1), note(49, 0, 1), note(49, 90, 1), note(49, 0, 1))
    strike = parse_map("[switches.bell]\nchannel=1\nnotes=49", "m.toml")
    hold = parse_map('[switches.bell]\nchannel=1\nnotes=49\ndoes="hold"', "m.toml")
    assert score_of(piece(*messages), strike)[0].switches["bell"] == ((0.5, "strike"), (1.5, "strike"))
    held = score_of(piece(*messages), hold)[0].switches["bell"]
    assert held == ((0.5, "on"), (1.0, "off"), (1.5, "on"), (2.0, "off"))


@pytest.mark.parametrize(
    ("table", "line", "message", "remedy"),
    [
        ("[axis.turn]\nchannel=1", 1, "there is no section `axis`", "did you mean `axes`?"),
        (
            "[axes.turn]\nchannel=1\ncontroler=3\nrange_deg=[0,1]",
            3,
            "unknown key `controler`",
            "did you mean `controller`?",
        ),
        ("[axes.turn]\ncontroller=3\nrange_deg=[0,1]", 1, "axes.turn lacks `channel`", "channel = ..."),
        (
            "[axes.turn]\nchannel=1\nopen_deg=3",
            1,
            "axes.turn lacks `controller`",
            "controller = ... or notes = ...",
        ),
        (
            "[axes.turn]\nchannel=17\ncontroller=3\nrange_deg=[0,1]",
            2,
            "axes.turn.channel cannot be this",
            "a whole number from 1 to 16",
        ),
        (
            "[axes.turn]\nchannel=1\ncontroller=128\nrange_deg=[0,1]",
            3,
            "axes.turn.controller cannot be this",
            "0 to 127",
        ),
        (
            "[axes.turn]\nchannel=1\ncontroller=3\nrange_deg=[0,1000]",
            4,
            "axes.turn.range_deg cannot be this",
            "-360 to 360",
        ),
        (
            "[axes.turn]\nchannel=1\ncontroller=70\nbits=14\nrange_deg=[0,1]",
            None,
            "numbered 0 to 31",
            "bits = 7",
        ),
        (
            '[switches.bell]\nchannel=1\nnotes=3\ndoes="ring"',
            4,
            "switches.bell.does cannot be this",
            '"strike" or "hold"',
        ),
        (
            "[axes.turn]\nchannel=1\ncontroller=3\nrange_deg=[5, 5]",
            4,
            "range_deg cannot be this",
            "two different",
        ),
        ("[axes.turn]\nchannel=1\ncontroller=3\nrange_deg=[true, 5]", 4, "range_deg cannot", "two different"),
        ("[axes.jaw]\nchannel=1\nnotes=3\nopen_deg=true", 4, "open_deg cannot be this", "an angle"),
        (
            "[axes.jaw]\nchannel=1\nnotes=3\nopen_deg=4\nshut_deg=4",
            5,
            "shut_deg cannot",
            "differs from open_deg",
        ),
        (
            "[lamps.eye]\nchannel=1\ncontroller=3\nrange_percent=[9, 9]",
            4,
            "range_percent cannot",
            "two different",
        ),
        ("[switches.bell]\nchannel=true\nnotes=3", 2, "channel cannot be this", "1 to 16"),
        (
            "[switches.bell]\nchannel=1\nnotes=[84, 48]",
            3,
            "notes cannot be this",
            "the lowest and the highest",
        ),
        ("[switches.bell]\nchannel=1\nnotes=[60, 64, 67]", 3, "notes cannot be this", "like [60, 72]"),
        ("[axes]\nturn=3", 2, "axes.turn must be a table", "[axes.turn]"),
        ("", None, "maps nothing", "[axes.turn]"),
        ("[axes.turn", None, "is not TOML", None),
    ],
)
def test_faults_of_a_mapping_table(table: str, line: int | None, message: str, remedy: str | None) -> None:
    with pytest.raises(MidiError) as raised:
        parse_map(table, "m.toml")
    faults = raised.value.faults
    assert any(message in fault.message for fault in faults), [fault.message for fault in faults]
    fault = next(fault for fault in faults if message in fault.message)
    assert line is None or fault.line == line
    assert remedy is None or remedy in (fault.remedy or "")


@pytest.mark.parametrize("notes", ["[72]", "[]", "[72, 200]", '"C4"', "true"])
def test_wrong_notes_are_told_once_and_in_words(notes: str) -> None:
    with pytest.raises(MidiError) as raised:
        parse_map(f"[switches.bell]\nchannel = 1\nnotes = {notes}", "m.toml")
    (fault,) = raised.value.faults
    assert fault.line == 3
    assert fault.remedy == (
        "notes takes one note, like 72, or the lowest and the highest of several, like [60, 72]; "
        "notes run from 0 to 127"
    )


def test_what_is_ignored_and_the_tracks_names_are_shown() -> None:
    bend = mido.Message("pitchwheel", pitch=100, time=10)
    name = mido.MetaMessage("track_name", name="Storm")
    held = piece(name, note(60, 9, 0), bend, bend, mido.Message("program_change", program=3), note(60, 0, 1))
    assert held.ignored == ("channel 1: 2 pitch bends", "channel 1: 1 program change")
    assert "ignored: channel 1: 2 pitch bends; channel 1: 1 program change" in held.warnings
    assert {"track 1: Storm", "ignored: channel 1: 2 pitch bends"} <= set(describe(held))
    assert not piece(note(60, 9, 0), note(60, 0, 1)).ignored


def test_a_file_that_is_cut_off_says_where() -> None:
    with pytest.raises(MidiError, match="damaged: it ends in the middle of track 1"):
        parse_midi(_SOUND[:-6], "x.mid")
    with pytest.raises(MidiError, match="a value stands where an event should begin"):
        parse_midi(chunk(0x00, 0x3C, 0x40), "x.mid")


def test_the_map_is_checked_against_the_figure_beside_it(tmp_path: Path) -> None:
    midi, table = tmp_path / "a.mid", tmp_path / "a.map.toml"
    midi.write_bytes(_SOUND)
    table.write_text("[axes.trun]\nchannel=1\ncontroller=16\nrange_deg=[-9, 9]\n")
    assert run(str(midi), "--map", str(table)).exit_code == 0  # no figure, nothing to check against
    keeper = Path(__file__).resolve().parents[2] / "shows" / "lantern_keeper" / "figure.toml"
    (tmp_path / "figure.toml").write_bytes(keeper.read_bytes())
    error = run(str(midi), "--map", str(table)).exception
    assert isinstance(error, MidiError)
    (fault,) = error.faults
    assert (fault.file, fault.line) == (str(table), 1)
    assert fault.message == "the figure beside this table has no axis `trun`"
    assert "did you mean `turn`?" in (fault.remedy or "")
    elsewhere = tmp_path / "maps"
    elsewhere.mkdir()
    (elsewhere / "a.map.toml").write_text(table.read_text())
    out = str(tmp_path / "a.score")
    assert isinstance(run(str(midi), "--map", str(elsewhere / "a.map.toml"), "-o", out).exception, MidiError)
    (tmp_path / "figure.toml").write_text("nonsense")
    assert "were not checked" in run(str(midi), "--map", str(table)).stderr


def test_a_mapping_that_finds_nothing_says_what_is_there() -> None:
    held = piece(control(7, 1, 0), note(40, 3, 0))
    table = parse_map(
        "[axes.turn]\nchannel=1\ncontroller=8\nrange_deg=[0,1]\n[switches.bell]\nchannel=1\nnotes=41\n"
        "[lamps.eye]\nchannel=3\nnotes=[1,9]", "m.toml",
    )  # fmt: skip
    with pytest.raises(MidiError) as raised:
        score_of(held, table)
    assert [(fault.message, fault.remedy) for fault in raised.value.faults] == [
        ("turn: there is no controller 8 on channel 1", "channel 1 has controllers 7"),
        (
            "eye: there is no note 1 to 9 on channel 3",
            "channel 3 has no notes; run the import without --map to see what the file holds",
        ),
        ("bell: there is no note 41 on channel 1", "channel 1 has notes 40"),
    ]


def chunk(*track: int, division: int = 480, form: int = 0) -> bytes:
    head = (
        b"MThd" + (6).to_bytes(4, "big") + form.to_bytes(2, "big") + b"\x00\x01" + division.to_bytes(2, "big")
    )
    return head + b"MTrk" + len(track).to_bytes(4, "big") + bytes(track)


END = (0x00, 0xFF, 0x2F, 0x00)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "does not begin with MThd"),
        (b"RIFF....WAVE", "does not begin with MThd"),
        (b"MThd\0\0\0\6\0\0", "header is cut short"),
        (chunk(*END, form=2), "MIDI format 2 is not read"),
        (chunk(*END, form=9), "MIDI format 9 is not read"),
        (chunk(*END, division=0), "no ticks to the quarter note"),
        (chunk(*END, division=0xE250), "SMPTE frames: byte 12 is 0xE2 \\(30 frames a second, 80 ticks"),
        (chunk(0x00, 0x3C, 0x40), "damaged"),
        (chunk(0x00, 0x90, 0x3C), "damaged"),
        (chunk(0x00, 0x90, 0x3C, 0xFF, *END), "damaged"),
        (chunk(*END)[:-2], "damaged"),
        (chunk(0xFF, 0xFF, 0xFF, 0x7F, 0xB0, 1, 1, *END), "too long for a scene"),
    ],
)
def test_files_that_are_no_sound_midi(data: bytes, message: str) -> None:
    with pytest.raises(MidiError, match=message):
        parse_midi(data, "x.mid")


def test_interrupted_running_status_is_accepted_with_a_warning() -> None:
    track = (0x00, 0x90, 60, 64, 0x10, 0xFF, 0x01, 0x01, 0x41, 0x60, 60, 0, *END)
    read = parse_midi(chunk(*track), "x.mid")
    assert len(read.notes) == 1
    assert len(read.warnings) == 1
    assert "running status goes on after a meta event at byte 32" in read.warnings[0]
    assert not parse_midi(chunk(0x00, 0x90, 60, 64, 0x60, 60, 0, *END), "x.mid").warnings


def test_running_status_across_a_system_exclusive_message() -> None:
    sysex = (0x10, 0xF0, 0x02, 0x41, 0xF7)
    read = parse_midi(chunk(0x00, 0x90, 60, 64, *sysex, 0x60, 60, 0, 0x10, 62, 9, 0x10, 62, 0, *END), "x.mid")
    assert [(note.pitch, note.velocity) for note in read.notes] == [(60, 64), (62, 9)]
    assert "after a system exclusive message" in read.warnings[0]
    assert read.warnings[1:] == ("ignored: 1 system exclusive message",)


def test_notes_that_never_end_last_to_the_end() -> None:
    read = piece(note(60, 9, 0), note(61, 9, 2))
    assert {n.end_s for n in read.notes} == {1.0}
    assert "2 notes are never ended" in read.warnings[0]


_SOUND = midi_bytes(control(16, 3, 0), control(48, 99, 0), note(60, 3, 1), note(60, 0, 1), control(16, 90, 1))


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=80), st.integers(0, len(_SOUND)), st.integers(0, 12))
@example(b"", 0, 0)
def test_any_bytes_are_read_or_refused(noise: bytes, at: int, cut: int) -> None:
    """Damage a sound file at will: a piece or a MidiError, nothing else."""
    for data in (_SOUND[:at] + noise + _SOUND[at + cut :], _SOUND[:14] + noise, noise):
        try:
            read = parse_midi(data, "x.mid")
        except MidiError as error:
            for fault in error.faults:
                assert fault.file == "x.mid"
        else:
            assert describe(read)


@settings(deadline=None, max_examples=60)
@given(st.text(max_size=120))
def test_any_mapping_table_is_read_or_refused(text: str) -> None:
    for table in (
        text,
        f"[axes.turn]\nchannel = {text}",
        f"[axes.{text}]\nchannel = 1\nnotes = 3\nopen_deg = 4",
    ):
        try:
            parse_map(table, "m.toml")
        except MidiError as error:
            for fault in error.faults:
                assert fault.render()


def test_the_starting_map_maps(tmp_path: Path) -> None:
    (tmp_path / "a.mid").write_bytes(_SOUND)
    (tmp_path / "a.map.toml").write_text(starting_map(read_midi(tmp_path / "a.mid")))
    made = convert(tmp_path / "a.mid", tmp_path / "a.map.toml")
    assert made.text == import_midi(tmp_path / "a.mid", tmp_path / "a.map.toml")
    score = parse_score(made.text, "a.score")
    assert set(score.axes) == {"axis_1_16"}
    assert set(score.switches) == {"switch_1"}


# -- the command ------------------------------------------------------------------------------

app = typer.Typer()
app.command()(command)


def run(*arguments: str):
    return CliRunner().invoke(app, list(arguments))


def test_command_writes_a_score(tmp_path: Path) -> None:
    midi, table, out = tmp_path / "a.mid", tmp_path / "a.map.toml", tmp_path / "a.score"
    midi.write_bytes(_SOUND)
    shown = run(str(midi))
    assert shown.exit_code == 0
    assert "controller 48 (low half of 16)" in shown.stdout
    assert run(str(midi), "-o", str(table)).exit_code == 0
    made = run(str(midi), "--map", str(table), "-o", str(out))
    assert made.exit_code == 0
    assert out.read_text() == import_midi(midi, table)
    assert sorted(item.name for item in tmp_path.iterdir()) == ["a.map.toml", "a.mid", "a.score"]
    assert run(str(midi), "--map", str(table)).stdout == out.read_text()
    told = json.loads(run(str(midi), "--map", str(table), "--json").stdout)
    assert told["score"] == out.read_text()
    assert json.loads(run(str(midi), "--json").stdout)["holds"] == describe(read_midi(midi))


def test_command_refuses_and_leaves_nothing_behind(tmp_path: Path) -> None:
    midi, table, out = tmp_path / "a.mid", tmp_path / "a.map.toml", tmp_path / "a.score"
    midi.write_bytes(_SOUND)
    out.write_text("old")
    table.write_text("[axes.turn]\nchannel=9\ncontroller=3\nrange_deg=[0,1]")
    assert isinstance(run(str(midi), "--map", str(table), "-o", str(out)).exception, MidiError)
    assert isinstance(run(str(midi), "-o", str(out)).exception, UsageError)
    assert isinstance(run(str(midi), "-o", str(table)).exception, UsageError)
    assert isinstance(run(str(tmp_path / "none.mid")).exception, MidiError)
    assert isinstance(run(str(midi), "--map", str(tmp_path / "none.toml")).exception, MidiError)
    assert out.read_text() == "old"
    assert sorted(item.name for item in tmp_path.iterdir()) == ["a.map.toml", "a.mid", "a.score"]
