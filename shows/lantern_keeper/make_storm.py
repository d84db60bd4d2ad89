"""Writes storm.mid, the storm scene as a musician would hand it over: controllers, hits and a bell.

    python shows/lantern_keeper/make_storm.py

One seeded generator, so that the same file comes out each time. Channel 1 carries the head as three
14-bit controllers (16 turn, 17 nod, 18 tilt; low halves 48, 49, 50), channel 2 the cries of the jaw as
notes, channel 10 lightning (notes 38 and 40) and the ship's bell (note 49). The tempo quickens twice.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import mido

SEED = 1838
TICKS = 480
BEATS = 32  # about 17 s with the tempos below
STEP = 30  # controllers move every sixteenth of a beat
TEMPOS = {0: 600_000, 12: 520_000, 24: 480_000}  # beat -> us to the quarter note
CENTRE, FULL = 8192, 16383


def gusts(random_: random.Random, beats: int, slowest: float, fastest: float) -> list[float]:
    """A swaying line in -1..1 every STEP ticks, from and to 0: four waves (turns a beat), swelling twice."""
    waves = [(random_.uniform(slowest, fastest), random_.uniform(0, 2 * math.pi)) for _ in range(4)]
    count = beats * TICKS // STEP
    line = []
    for i in range(count + 1):
        beat = i * STEP / TICKS
        rise = min(1.0, beat / 2, (beats - beat) / 3)
        swell = 0.55 + 0.45 * (0.5 - 0.5 * math.cos(2 * math.pi * beat / 16))
        wave = sum(math.sin(2 * math.pi * rate * beat + phase) for rate, phase in waves) / 2
        line.append(rise * swell * math.tanh(wave))
    return line


def controllers(track: list[tuple[int, mido.Message]], number: int, line: list[float]) -> None:
    """One 14-bit controller: a high and a low half at each change."""
    last = None
    for i, height in enumerate(line):
        value = round(CENTRE + height * (FULL - CENTRE))
        if value == last:
            continue
        for control, half in ((number, value >> 7), (number + 32, value & 0x7F)):
            track.append((i * STEP, mido.Message("control_change", channel=0, control=control, value=half)))
        last = value


def note(
    track: list[tuple[int, mido.Message]], channel: int, pitch: int, beat: float, length: float, velocity: int
) -> None:
    """A note in beats; its end is a note-on of velocity 0, as many instruments send it."""
    start, end = round(beat * TICKS), round((beat + length) * TICKS)
    track.append((start, mido.Message("note_on", channel=channel, note=pitch, velocity=velocity)))
    track.append((end, mido.Message("note_on", channel=channel, note=pitch, velocity=0)))


def in_order(events: list[tuple[int, mido.Message]], name: str) -> mido.MidiTrack:
    """Events at absolute ticks as a track of waits."""
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    now = 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track"))
    return track


def storm() -> mido.MidiFile:
    """The whole piece."""
    random_ = random.Random(SEED)
    head: list[tuple[int, mido.Message]] = []
    for number, slowest, fastest in ((16, 0.10, 0.26), (17, 0.18, 0.45), (18, 0.18, 0.45)):
        controllers(head, number, gusts(random_, BEATS, slowest, fastest))
    jaw: list[tuple[int, mido.Message]] = []
    for beat, words in ((6, 3), (14, 4), (22, 5), (27, 2)):  # he cries out into the wind
        at = float(beat)
        for _ in range(words):
            length = random_.choice((0.35, 0.5, 0.8))
            note(jaw, 1, random_.randrange(48, 72), at, length, random_.randrange(70, 127))
            at += length + random_.choice((0.15, 0.25))
    hits: list[tuple[int, mido.Message]] = []
    for beat in (4, 9.5, 13, 18, 21.25, 25, 29):  # lightning: one strike, far from three a second
        pitch = random_.choice((38, 40))
        note(hits, 9, pitch, beat, 0.25, random_.randrange(90, 127))
    for beat in (2, 8, 16, 17, 24, 25, 26, 31):  # the ship's bell
        note(hits, 9, 49, beat, 0.2, 100)
    tempo = [(beat * TICKS, mido.MetaMessage("set_tempo", tempo=us)) for beat, us in TEMPOS.items()]
    tracks = ((tempo, "storm"), (head, "head"), (jaw, "jaw"), (hits, "lightning and bell"))
    piece = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    piece.tracks.extend(in_order(events, name) for events, name in tracks)
    return piece


if __name__ == "__main__":
    storm().save(Path(__file__).with_name("storm.mid"))
