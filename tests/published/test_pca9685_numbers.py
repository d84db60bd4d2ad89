"""The expander's arithmetic against its datasheet (NXP PCA9685 rev. 3, 7.3.1.1 and 7.3.5)."""

from __future__ import annotations

import pytest

from sequencer.board.i2c import I2cBus
from sequencer.board.pca9685 import LED0, MODE1, PRE_SCALE, Pca9685
from sequencer.tables.extra_expanders import ExpanderRecord, prescale


def test_prescale_as_the_datasheet_works_it_out():
    assert prescale(25_000_000, 200) == 0x1E  # 7.3.5, the datasheet's own example
    assert prescale(25_000_000, 50) == 121
    rate = 25e6 / 4096 / (121 + 1)
    assert rate == pytest.approx(50.0288, abs=5e-5)
    # the hardware takes 3..255
    assert prescale(25_000_000, 24_000) == 3
    assert prescale(25_000_000, 1) == 255


def test_counts_of_the_common_pulses_at_50_hz():
    record = ExpanderRecord(0x40, "servos", 25_000)
    assert record.tick_us == pytest.approx(4.88, abs=1e-9)
    counts = [(16 * us * record.scale + (1 << 19)) >> 20 for us in (1000, 1500, 2000)]
    assert counts == [205, 307, 410]


def test_the_part_takes_its_prescaler_only_asleep_and_off_wins():
    bus, part = I2cBus(), Pca9685()
    bus.plug(part)

    def write(*data: int) -> None:
        assert bus.start(0x40, False)
        assert all(bus.write(byte) for byte in data)
        bus.stop()

    write(MODE1, 0x20)
    write(PRE_SCALE, 121)
    assert part.registers[PRE_SCALE] == 0x1E
    write(MODE1, 0x30)
    write(PRE_SCALE, 121)
    write(MODE1, 0x20)
    assert part.registers[PRE_SCALE] == 121
    assert part.period_s == pytest.approx(1 / 50.0288, rel=1e-5)
    write(LED0 + 4, 0, 0x10, 0, 0)
    assert part.counts(1)[1] == 4096  # ON_H[4]: always on
    write(LED0 + 4, 0, 0x10, 0, 0x10)
    assert part.counts(1)[1] == 0  # both set: OFF_H[4] takes precedence
    write(LED0, 100, 0, 0x33, 0x01)
    assert part.counts(0) == (100, 307 - 100)
    write(0xFA, 0, 0, 0, 0x10)  # ALL_LED: everything off
    assert [part.counts(n)[1] for n in range(16)] == [0] * 16
    # going to sleep with outputs running sets RESTART; they play again once 1 was written to it
    write(LED0, 0, 0, 0x33, 0x01)
    write(MODE1, 0x30)
    write(MODE1, 0x20)
    assert not part.awake
    write(MODE1, 0xA0)
    assert part.awake
    assert part.registers[MODE1] == 0x20


def test_the_software_reset_goes_to_all_and_takes_effect_with_the_stop():
    """7.6: START, the general call's address, 0x06, STOP; any other byte is not acknowledged."""
    bus, parts = I2cBus(), [Pca9685(0x40), Pca9685(0x55)]
    for part in parts:
        bus.plug(part)
        part.registers[MODE1] = 0x20
        part.registers[LED0 + 2 : LED0 + 4] = b"\x33\x01"
    assert bus.start(0x00, False)
    assert not bus.write(0x07)
    bus.stop()
    assert bus.start(0x00, False)
    assert bus.write(0x06)
    assert [part.counts(0)[1] for part in parts] == [307, 307]
    bus.stop()
    assert [part.counts(0)[1] for part in parts] == [0, 0]
    assert [part.registers[MODE1] for part in parts] == [0x11, 0x11]
    assert not bus.start(0x00, True), "nobody reads by it"
