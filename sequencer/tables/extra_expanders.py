"""Output expanders in the show image (FORMAT.md, "Expanders"): which there are, how their outputs count."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sequencer.errors import Fault, ImageError
from sequencer.tables.model import Extra, ShowImage, content_of

TAG = 4
#: At most so many, each with so many outputs.
EXPANDERS, OUTPUTS = 4, 16
#: Pin numbers from here on are outputs of expanders: 128 + 16 * expander + output.
FIRST_PIN = 128
#: What the chip's oscillator is said to run at.
NOMINAL_HZ = 25_000_000
#: One cycle of outputs.
COUNTS = 4096
SERVO_HZ, LAMP_HZ = 50, 500
Serves = Literal["servos", "lamps"]

_HEAD = struct.Struct("<BB")
_RECORD = struct.Struct("<BBBBHH")
_SERVES: tuple[Serves, ...] = ("servos", "lamps")
_SCALE = 1 << 20


@dataclass(frozen=True)
class ExpanderRecord:
    """One expander: its I2C address, what all its outputs carry, its oscillator, None = not calibrated."""

    address: int
    serves: Serves
    oscillator_khz: int | None = None

    @property
    def prescale(self) -> int:
        """The chip's PRE_SCALE: a cycle of 20 ms for servos, of 2 ms for lamps."""
        rate = SERVO_HZ if self.serves == "servos" else LAMP_HZ
        return prescale(self.oscillator_hz, rate)

    @property
    def oscillator_hz(self) -> int:
        """Measured, or what the datasheet says."""
        return NOMINAL_HZ if self.oscillator_khz is None else 1000 * self.oscillator_khz

    @property
    def tick_us(self) -> float:
        """One count, in microseconds."""
        return 1e6 * (self.prescale + 1) / self.oscillator_hz

    @property
    def scale(self) -> int:
        """Counts in a sixteenth of a microsecond, times 2^20; 0 while servos must stay off."""
        if self.serves == "lamps" or self.oscillator_khz is None:
            return 0
        return round(_SCALE / (16 * self.tick_us))


def prescale(oscillator_hz: int, rate_hz: int) -> int:
    """PRE_SCALE for a rate (PCA9685 datasheet, 7.3.5), within the 3..255 that the chip takes."""
    return min(255, max(3, round(oscillator_hz / (COUNTS * rate_hz)) - 1))


def output_pin(expander: int, output: int) -> int:
    """The image's pin number of an expander's output."""
    return FIRST_PIN + OUTPUTS * expander + output


def expanders_extra(records: Sequence[ExpanderRecord], bus_khz: int) -> Extra | None:
    """The extra for these expanders on a bus of 100 or 400 kHz; None without any.

    Raises:
        ValueError: more than four, or a number that does not fit its field.
    """
    if not records:
        return None
    if len(records) > EXPANDERS or bus_khz not in (100, 400):
        raise ValueError("at most four expanders, on a bus of 100 or 400 kHz")
    try:
        body = b"".join(
            _RECORD.pack(
                r.address, _SERVES.index(r.serves) + 1, r.prescale, 0, r.oscillator_khz or 0, r.scale
            )
            for r in records
        )
    except struct.error as error:
        raise ValueError(f"an expander's number does not fit its field: {error}") from error
    return Extra(TAG, _HEAD.pack(bus_khz // 100, len(records)) + body)


def read_expanders(show: ShowImage) -> tuple[ExpanderRecord, ...]:
    """The image's expanders; none when it has no such extra.

    Raises:
        ImageError: the extra is damaged.
    """
    content = content_of(show.extras, TAG)
    if content is None:
        return ()
    if len(content) < _HEAD.size or len(content) != _HEAD.size + content[1] * _RECORD.size:
        raise ImageError(Fault("the image's expanders are cut short", quantity="extra", value=str(TAG)))
    found = []
    for address, serves, factor, _, khz, scale in _RECORD.iter_unpack(content[_HEAD.size :]):
        if serves not in (1, 2):
            raise ImageError(Fault("an expander serves nothing known", value=str(serves), limit="1, 2"))
        record = ExpanderRecord(address, _SERVES[serves - 1], khz or None)
        if (factor, scale) != (record.prescale, record.scale):
            raise ImageError(Fault("an expander's numbers do not belong together", value=f"0x{address:02x}"))
        found.append(record)
    return tuple(found)
