"""The stall guard in the core against a plain model: a normal current never trips, a stall does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import ImageError
from sequencer.player.player import Fault, Player, State, What
from sequencer.tables.extra_guard import (
    SUPPLY_CURRENT,
    SUPPLY_VOLTAGE,
    GuardContent,
    SensorRecord,
    guard_extra,
    read_guard,
    slice_shift,
    slices,
)
from sequencer.tables.image import build_image
from sequencer.tables.model import ShowImage
from tests.board.emulated_show import made_show

SENSOR = SensorRecord(14, 1, 40_000, 0, 6, 255, 10, hold=False, tell_only=False)
GREET = 1


def show_of(*sensors: SensorRecord, limits: dict[int, tuple[bytes, ...]] | None = None) -> ShowImage:
    show, _ = made_show((9, 10, 12))
    frames = [scene.frames for scene in show.scenes]
    rows = [(limits or {}).get(index) for index in range(len(frames))]
    extra = guard_extra(sensors, frames, rows)
    assert extra is not None
    return replace(show, extras=(extra,))


def opened(show: ShowImage) -> Player:
    player = Player(build_image(show))
    assert player.open() is Fault.OK
    player.sample(1)
    while player.play(1).state[-1] != State.IDLE:
        pass
    player.play(60)
    return player


def test_a_reading_becomes_milliamperes():
    """ADC = Vin * 1024 / Vref (ATmega328P datasheet, 24.7, from memory); 185 mV/A, as Hall sensors give."""
    scale = round(5000 / 185 * 1000 * 32768 / 65536)
    player = opened(show_of(replace(SENSOR, scale=scale, offset_q6=512 * 64, shift=8)))
    assert player.measured(0) is None
    for amperes in (0.0, 0.5, 1.0, 2.3, -1.5):
        player.counts(0, round((2.5 + 0.185 * amperes) * 1024 / 5))
        player.play(20)
        # half a count from rounding the reading, one from the running mean; a count is 26 mA
        assert player.measured(0) == pytest.approx(1000 * abs(amperes), abs=40)


@settings(max_examples=25, deadline=None)
@given(
    noise=st.integers(0, 5000),
    frames=st.integers(1, 40),
    margin=st.integers(2, 30),
    above=st.integers(1, 60),
    at=st.integers(40, 150),
    lasts=st.integers(1, 60),
)
def test_it_trips_when_and_only_when_the_current_stays_above(noise, frames, margin, above, at, lasts):
    rng = np.random.default_rng(noise)
    shift = slice_shift(240)
    base = rng.integers(40, 90, size=slices(240, shift))
    limits = bytes(int(b) + margin for b in base)
    player = opened(show_of(replace(SENSOR, frames=frames), limits={GREET: (limits,)}))
    player.counts(0, 40)
    player.play(1)
    assert player.cue(1, GREET) == 0
    mean, stalled_for, tripped, expected = 40 << 6, 0, [], []
    clock, played = 0, 0
    for _ in range(330):
        # What this frame is, only the core knows; the model then follows its clock.
        frame = clock
        inside = clock > 0 and frame < 240
        which = frame >> shift if inside else 0
        stall = inside and at <= frame < at + lasts
        counts = int(base[which]) + (margin + above if stall else int(rng.integers(-5, 1)))
        player.counts(0, counts if inside else 40)
        for _ in range(64):
            mean += (counts if inside else 40) - (mean >> 6)
        row = player.play(1)
        scene = int(row.scene[0]) == GREET
        # Limits bind from the first frame in which the scene plays by itself.
        over = scene and inside and mean >> 6 > limits[which]
        stalled_for = stalled_for + 1 if over else 0
        if stalled_for == frames:
            expected.append(frame)
        tripped += [h.cue for h in row.happened if h.what is What.TRIPPED]
        clock = int(row.frame[0]) if scene else 0
        played += scene
        if tripped:
            break
    assert tripped == expected[:1]
    if tripped:
        after = player.play(50)
        assert (after.pulse_sixteenths[:, 1] == 0).all()
        assert (after.pulse_sixteenths[:, [0, 2]] > 0).all()
    else:
        assert played >= 240


def test_on_a_trip_it_finishes_holds_or_only_tells():
    for hold, tell in ((False, False), (True, False), (False, True)):
        sensor = replace(SENSOR, watches=SUPPLY_CURRENT, ceiling=100, hold=hold, tell_only=tell)
        player = opened(show_of(sensor))
        player.counts(0, 90)
        player.play(200)
        player.counts(0, 110)
        rows = player.play(300)
        told = [h for h in rows.happened if h.what is What.TRIPPED]
        assert [(h.input, h.frame) for h in told] == [(0, told[0].frame)], "told once while it lasts"
        assert 9 <= told[0].frame <= 10
        assert (rows.pulse_sixteenths[20:] == 0).all() == (not tell)
        assert rows.state[-1] == (State.HOLD if hold else State.IDLE)
        player.counts(0, 90)
        player.play(5)
        player.counts(0, 110)
        assert any(h.what is What.TRIPPED for h in player.play(30).happened)


def test_a_voltage_is_measured_and_never_trips():
    player = opened(show_of(replace(SENSOR, watches=SUPPLY_VOLTAGE, scale=10_000), SENSOR))
    player.counts(0, 1023)
    rows = player.play(100)
    assert player.measured(0) == pytest.approx(1023 / 1024 * 20_000, rel=1e-3)
    assert not rows.happened
    assert player.measured(1) is None


@given(
    sensors=st.lists(
        st.builds(
            SensorRecord,
            *(st.integers(0, 255), st.integers(0, 255), st.integers(0, 65535), st.integers(0, 65535)),
            *(st.integers(1, 8), st.integers(0, 255), st.integers(1, 255), st.booleans(), st.booleans()),
        ),
        min_size=1,
        max_size=4,
    ),
    frames=st.lists(st.integers(1, 10_922).map(lambda n: 6 * n), max_size=5),
    data=st.data(),
)
def test_the_extra_reads_back_as_written(sensors, frames, data):
    limits = []
    for count in frames:
        wanted = slices(count, slice_shift(count))
        assert wanted <= 64
        row = st.binary(min_size=wanted, max_size=wanted)
        limits.append(data.draw(st.none() | st.tuples(*[row] * len(sensors))))
    extra = guard_extra(sensors, frames, limits)
    assert extra is not None
    shifts = tuple(slice_shift(count) for count in frames)
    assert read_guard(extra.content, len(frames)) == GuardContent(tuple(sensors), tuple(limits), shifts)


def test_a_damaged_extra_is_refused_by_python_and_by_the_core():
    show = show_of(SENSOR, limits={GREET: (bytes(8),)})
    content = show.extras[0].content
    for at, value in ((0, 0), (0, 9), (7, 0), (7, 9), (9, 0), (1 + 10 + 4 + 3, 0xFF)):
        bad = bytearray(content)
        bad[at] = value
        with pytest.raises(ImageError):
            read_guard(bytes(bad), 3)
        image = build_image(replace(show, extras=(replace(show.extras[0], content=bytes(bad)),)))
        assert Player(image).open() is Fault.BAD_CONTENT, (at, value)
    with pytest.raises(ImageError):
        read_guard(content[:-1], 3)
