"""The time that expanders and memory take of a frame, and its limit on both sides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.errors import PlanError
from sequencer.tables.bus import busy_ms, check_bus
from sequencer.tables.extra_expanders import ExpanderRecord, expanders_extra, output_pin
from sequencer.tables.extra_memory import memory_extra
from sequencer.tables.model import ShowImage
from tests.tables.show_makers import moving_show, spec


def show(tracks: int, *, outputs: int = 0, memory: bool = False) -> ShowImage:
    pins = [output_pin(0, n) if n < outputs else 2 + n for n in range(tracks)]
    specs = {f"t{n}": spec(f"t{n}", pin=pin) for n, pin in enumerate(pins)}
    made = moving_show(specs, {"rest": {}}, {"rest": 60}, loops=())
    expanders = expanders_extra((ExpanderRecord(0x40, "servos", 25_000),), 400) if outputs else None
    extras = [*([expanders] if expanders else []), *([memory_extra(b"x", 400)] if memory else [])]
    return replace(made, extras=tuple(extras))


def test_bytes_on_the_bus_are_counted_at_its_clock():
    assert busy_ms(show(12), 400) == 0
    # 12 outputs of 6 bytes and a look of 4, 9 clocks each
    assert busy_ms(show(12, outputs=12), 400) == pytest.approx((12 * 6 + 4) * 9 / 400)
    # two lines of 12 bytes a track: what the emulated board was seen to need at most
    assert busy_ms(show(12, memory=True), 400) == pytest.approx(2 * 12 * 12 * 9 / 400)


def test_a_slow_bus_takes_few_tracks_from_the_memory():
    check_bus(show(5, memory=True), 100)  # 10.8 ms
    with pytest.raises(PlanError, match="i2c_khz = 400"):
        check_bus(show(6, memory=True), 100)  # 13 ms
    check_bus(show(12, outputs=12, memory=True), 400)
    check_bus(show(16, outputs=16), 100)
