"""The expanders' extra: coded, read back, and refused by the core where it does not make sense."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import ImageError
from sequencer.player.player import Fault, Player
from sequencer.tables.extra_expanders import (
    ExpanderRecord,
    expanders_extra,
    output_pin,
    prescale,
    read_expanders,
)
from sequencer.tables.image import build_image
from sequencer.tables.model import Extra, LampRecord, ShowImage
from tests.tables.show_makers import looking_scene, moving_show, spec, swaying_loop

records = st.builds(
    ExpanderRecord,
    st.integers(0x40, 0x7F),
    st.sampled_from(["servos", "lamps"]),
    st.none() | st.integers(23_000, 27_000),
)


def show(*, pin: int = 7, lamp_pin: int = 5, extras: tuple[Extra, ...] = ()) -> ShowImage:
    track = spec(pin=pin)
    made = moving_show(
        {"turn": track},
        {
            "idle": {"turn": swaying_loop(track, 60, 50, 1)},
            "greet": {"turn": looking_scene(track, 60, 50)},
        },
        {"idle": 60, "greet": 60},
    )
    lamp = LampRecord("eye", lamp_pin, False, 0)
    scenes = tuple(replace(scene, lamps=(None,)) for scene in made.scenes)
    return replace(made, lamps=(lamp,), scenes=scenes, extras=extras)


@given(st.lists(records, min_size=1, max_size=4), st.sampled_from([100, 400]))
def test_what_was_written_is_read(expanders, khz):
    extra = expanders_extra(expanders, khz)
    assert extra is not None
    assert extra.content[:2] == bytes([khz // 100, len(expanders)])
    assert read_expanders(show(extras=(extra,))) == tuple(expanders)


def test_no_expanders_no_extra():
    assert expanders_extra((), 400) is None
    assert read_expanders(show()) == ()


@given(records)
def test_a_servo_cycle_is_20_ms_within_the_prescalers_step(record):
    period = 4096 * record.tick_us
    wanted = 20_000 if record.serves == "servos" else 2_000
    assert abs(period - wanted) <= 0.5 * 4096 * 1e6 / record.oscillator_hz + 1e-6
    assert 3 <= record.prescale <= 255


def test_lamps_stay_above_400_hz_with_any_oscillator():
    factor = prescale(25_000_000, 500)
    assert 23e6 / 4096 / (factor + 1) > 400


@given(st.integers(23_000, 27_000), st.integers(400 * 16, 2800 * 16))
def test_a_pulse_is_the_nearest_count_of_the_calibrated_oscillator(khz, sixteenths):
    record = ExpanderRecord(0x40, "servos", khz)
    counts = (sixteenths * record.scale + (1 << 19)) >> 20
    off_us = counts * record.tick_us - sixteenths / 16
    assert abs(off_us) <= record.tick_us / 2 + sixteenths / 16 / (2 * record.scale) + 1e-9


def faults(image: ShowImage) -> Fault:
    return Player(build_image(image)).open()


def test_the_core_wants_each_pin_on_an_expander_of_its_kind():
    extra = expanders_extra((ExpanderRecord(0x40, "servos", 25_000), ExpanderRecord(0x41, "lamps")), 400)
    assert extra is not None
    assert faults(show(pin=output_pin(0, 15), lamp_pin=output_pin(1, 0), extras=(extra,))) is Fault.OK
    assert faults(show(pin=output_pin(0, 15))) is Fault.BAD_CONTENT
    assert faults(show(pin=output_pin(1, 15), extras=(extra,))) is Fault.BAD_CONTENT
    assert faults(show(lamp_pin=output_pin(0, 1), extras=(extra,))) is Fault.BAD_CONTENT
    assert faults(show(pin=output_pin(2, 0), extras=(extra,))) is Fault.BAD_CONTENT


@pytest.mark.parametrize(
    "content",
    [b"\x04", b"\x04\x00", b"\x04\x01" + bytes(7), b"\x04\x01\x40\x03\x79\x00" + bytes(4)],
)
def test_a_damaged_extra_is_refused_on_both_sides(content):
    damaged = show(extras=(Extra(4, content),))
    assert faults(damaged) is Fault.BAD_CONTENT
    if content != b"\x04\x00":
        with pytest.raises(ImageError):
            read_expanders(damaged)


def test_more_than_four_or_another_speed_is_not_asked_for():
    with pytest.raises(ValueError, match="at most four"):
        expanders_extra((ExpanderRecord(0x40, "lamps"),) * 5, 400)
    with pytest.raises(ValueError, match="100 or 400"):
        expanders_extra((ExpanderRecord(0x40, "lamps"),), 250)
