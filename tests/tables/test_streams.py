import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.tables.streams import encode_lamp, encode_switch, varint
from sequencer.timeline.model import LampStep, SwitchStep
from tests.tables import stream_oracle as oracle

FRAME_US = 20_000


@given(st.integers(0, 65535))
def test_varints_come_back(value: int) -> None:
    assert oracle.varint(varint(value), 0) == (value, len(varint(value)))


def test_a_varint_beyond_what_the_player_counts_is_refused() -> None:
    with pytest.raises(ValueError, match="65536"):
        varint(65536)


def test_lamp_records_stand_at_rounded_frames() -> None:
    steps = (
        LampStep(0.0, "set", 0.6),
        LampStep(0.505, "ramp", 1.0, 1.5),
        LampStep(1.0, "flicker", duration_s=2.0, kind="failing", depth=0.25, seed=0x1234),
        LampStep(9.0, "ramp", 0.0, 0.004),
    )
    stream = encode_lamp(steps, 300, FRAME_US)
    assert stream is not None
    assert oracle.decode_lamp(stream) == [
        (0, "set", 120),
        (25, "ramp", 200, 75),
        (50, "flicker", 2, 50, 0x1234, 100),
        (299, "set", 0),
    ]


def test_nothing_to_do_is_no_stream() -> None:
    assert encode_lamp((), 300, FRAME_US) is None
    assert encode_lamp((LampStep(1.0, "flicker", duration_s=1.0, depth=0.0),), 300, FRAME_US) is None
    assert encode_switch((), 300, FRAME_US, 0.1, "bell") == (None, ())


def test_a_switch_is_set_its_lead_early() -> None:
    stream, late = encode_switch((SwitchStep(1.0, True), SwitchStep(1.1, False)), 300, FRAME_US, 0.06, "bell")
    assert stream is not None
    assert oracle.decode_switch(stream) == [(47, True), (52, False)]
    assert late == ()


def test_a_strike_too_near_the_beginning_keeps_its_length_and_says_that_it_is_late() -> None:
    stream, late = encode_switch(
        (SwitchStep(0.02, True), SwitchStep(0.12, False)), 300, FRAME_US, 0.1, "bell"
    )
    assert stream is not None
    assert oracle.decode_switch(stream) == [(0, True), (5, False)]
    (shortfall,) = late
    assert (shortfall.code, shortfall.channel, shortfall.value) == ("sync", "bell", pytest.approx(0.08))
    assert "80 ms late" in shortfall.message
    assert "0.10 s or later" in shortfall.remedy


def test_only_the_strike_that_is_too_early_is_late() -> None:
    steps = tuple(SwitchStep(t, on) for t, on in ((0.0, True), (0.12, False), (15.0, True), (15.12, False)))
    stream, late = encode_switch(steps, 900, FRAME_US, 0.06, "bell")
    assert stream is not None
    assert oracle.decode_switch(stream) == [(0, True), (6, False), (747, True), (753, False)]
    assert [(item.time_s, item.severity) for item in late] == [(0.0, "warning")]


def test_a_strike_held_up_by_a_late_one_says_so_and_when_it_works() -> None:
    steps = tuple(SwitchStep(t, on) for t, on in ((0.0, True), (0.12, False), (0.14, True), (0.26, False)))
    _, late = encode_switch(steps, 900, FRAME_US, 0.06, "bell")
    first, second = late
    assert "let bell act at 0.06 s" in first.remedy
    assert "the strike before it" in second.message
    assert "0.18 s or later" in second.remedy


def test_less_than_a_frame_late_is_a_note() -> None:
    _, late = encode_switch((SwitchStep(0.05, True), SwitchStep(0.17, False)), 900, FRAME_US, 0.06, "bell")
    assert [item.severity for item in late] == ["note"]


@given(st.lists(st.floats(0, 5, allow_nan=False), min_size=1, max_size=12), st.floats(0, 0.5))
def test_events_keep_their_order_and_never_share_a_frame(times: list[float], lead_s: float) -> None:
    steps = tuple(SwitchStep(t, i % 2 == 0) for i, t in enumerate(sorted(times)))
    stream, _ = encode_switch(steps, 600, FRAME_US, lead_s, "bell")
    assert stream is not None
    events = oracle.decode_switch(stream)
    assert [on for _, on in events] == [step.on for step in steps]
    frames = [frame for frame, _ in events]
    assert all(a < b for a, b in itertools.pairwise(frames))


def test_steps_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="before the one ahead"):
        encode_lamp((LampStep(1.0, "set", 1.0), LampStep(0.5, "set", 0.0)), 300, FRAME_US)
    with pytest.raises(ValueError, match="before the one ahead"):
        encode_switch((SwitchStep(1.0, True), SwitchStep(0.5, False)), 300, FRAME_US, 0.0, "bell")
