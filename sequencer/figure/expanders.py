"""What an expander's own tick and clock mean for the servos on it, as findings."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sequencer.figure.model import Expander, Figure, Servo
from sequencer.figure.pins import EXPANDER_PIN, expander_output
from sequencer.finding import Finding

#: A measured oscillator is this far off at most, for the recorded ends: the loop-back's own error and the
#: drift with temperature until it is measured again.
OSCILLATOR_ERROR = 0.002
_COUNTS = 4096
_FRAME_S = 0.02


def expander_of(figure: Figure, servo: Servo) -> Expander | None:
    """The expander that a servo is on, if any."""
    if servo.pin < EXPANDER_PIN:
        return None
    return list(figure.expanders.values())[expander_output(servo.pin)[0]]


def tick_us(expander: Expander) -> float:
    """One count of a servo expander, us: 4096 of them are 20 ms as nearly as its prescaler can."""
    factor = round(expander.oscillator_hz / (_COUNTS * 50))
    return 1e6 * factor / expander.oscillator_hz


def ends_margin_us(figure: Figure, servo: Servo) -> float:
    """By how much a servo's pulse may come out longer or shorter than what the player computes.

    Half a count, and the oscillator's error at the longest pulse; 0 on the board's own pins.
    """
    expander = expander_of(figure, servo)
    if expander is None:
        return 0.0
    return tick_us(expander) / 2 + OSCILLATOR_ERROR * servo.pulse_us[1]


def findings(figure: Figure) -> Iterator[Finding]:
    """Expanders whose servos stay off, and how coarse those of the others are."""
    for chip in figure.expanders.values():
        here = [servo for servo in figure.servos.values() if expander_of(figure, servo) is chip]
        if here and chip.oscillator_mhz is None:
            yield _off(chip, here)
    for servo in figure.servos.values():
        expander = expander_of(figure, servo)
        if expander is not None:
            yield _coarse(servo, tick_us(expander))


def _off(expander: Expander, servos: list[Servo]) -> Finding:
    names = ", ".join(servo.name for servo in servos)
    return Finding(
        code="range",
        severity="warning",
        scene=None,
        channel=None,
        time_s=None,
        value=None,
        limit=None,
        unit=None,
        message=f"the oscillator of expander {expander.name} is not calibrated (chips run at 23 to 27 MHz): "
        f"pulses could be off by 8 %, so its servos get none ({names})",
        remedy="wire a free output of it to a free pin and run "
        f"`quarterjack calibrate --expander {expander.name}`, which writes oscillator_mhz",
    )


def _coarse(servo: Servo, tick: float) -> Finding:
    step_deg = math.degrees(tick / abs(servo.us_per_rad))
    return Finding(
        code="rate",
        severity="note",
        scene=None,
        channel=servo.name,
        time_s=None,
        value=step_deg / _FRAME_S,
        limit=None,
        unit="deg/s",
        message=f"servo {servo.name} is on an expander, whose pulses come in steps of {tick:.2f} us: it "
        f"stands within {step_deg / 2:.2f} deg of where the certificate has it, and from one pulse to the "
        f"next its speed is off by up to {step_deg / _FRAME_S:.0f} deg/s",
        remedy="where a slow move must look smooth, use a pin of the board: its steps are 80 times finer",
    )
