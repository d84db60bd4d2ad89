"""An expander's oscillator, measured through a wire from one of its outputs to a pin of the board.

The chip's own oscillator is said to run at 25 MHz; pieces were found between 23 and 27. Pulses are made of
its counts, so a servo's would be off as much. A board on the bench has one output play a slow square wave
and counts how often the wired pin rises; the host holds that against its own clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sequencer.board.link import Link
from sequencer.errors import Fault, LinkError

#: A cycle of about 10 ms: long enough for a board that looks at the pin between other work.
PRESCALE, COUNTS = 60, 4096
#: What is asked for as a pulse, and the counts that come of it: 1.7 ms, and within the cycle on every output.
PULSE_US, HIGH = 2400, 700
SCALE = round(HIGH * (1 << 20) / (16 * PULSE_US))
EXPANDER_PIN = 128
#: What a sound chip runs at, MHz; beyond it something else is wrong.
SOUND_MHZ = (22.0, 28.0)
_WRAP = 1 << 16


@dataclass(frozen=True)
class Oscillator:
    """What was measured, and how far off it may be, both MHz (the host's own clock comes on top)."""

    mhz: float
    doubt_mhz: float


def measure_oscillator(
    link: Link,
    address: int,
    output: int,
    pin: int,
    seconds: float = 20.0,
    tell: Callable[[float], None] | None = None,
) -> Oscillator:
    """Measure it, on a board that is on the bench; every other output of the expander is off meanwhile.

    Args:
        link: to the board.
        address: the expander's, on the I2C bus.
        output: its output that the wire comes from, 0..15.
        pin: the board's pin that the wire goes to.
        seconds: for how long.
        tell: called now and then with the share that is done, 0..1.

    Raises:
        LinkError: no expander at that address, no pulses on the pin, or an oscillator that cannot be.

    """
    from sequencer.figure.pins import pin_name

    try:
        link.bench_expander(address, PRESCALE, SCALE)
    except LinkError as error:
        raise LinkError(
            Fault(
                f"no expander answers at address {address:#04x}: {error.faults[0].message}",
                remedy="check SDA and SCL, its supply, and the address jumpers",
            )
        ) from None
    link.edges(pin)
    link.bench_servo(EXPANDER_PIN + output, PULSE_US)
    try:
        first, begin_s, early_s = _edge(link, pin, output, pin_name(pin))
        now_s = begin_s
        while now_s - begin_s < seconds:
            link.reports(0.5)
            link.edges(pin)  # the board stops when nobody asks
            now_s = link.now_s()
            if tell is not None:
                tell(min(1.0, (now_s - begin_s) / seconds))
        last, end_s, late_s = _edge(link, pin, output, pin_name(pin))
    finally:
        link.bench_servo(EXPANDER_PIN + output, 0)
    hertz = ((last - first) % _WRAP) / (end_s - begin_s)
    mhz = hertz * COUNTS * (PRESCALE + 1) / 1e6
    doubt = mhz * (early_s + late_s) / (end_s - begin_s)
    if not SOUND_MHZ[0] <= mhz <= SOUND_MHZ[1]:
        raise LinkError(
            Fault(
                "this cannot be the expander's oscillator",
                quantity="oscillator_mhz",
                value=f"{mhz:.3f}",
                limit=f"{SOUND_MHZ[0]:g} to {SOUND_MHZ[1]:g}",
                remedy=f"nothing was written. Does the wire go from output {output} to {pin_name(pin)}, "
                "and to nothing else?",
            )
        )
    return Oscillator(mhz, doubt)


def _edge(link: Link, pin: int, output: int, name: str) -> tuple[int, float, float]:
    """The count after the next rising edge, when that was, and by how much it may be off, seconds.

    An answer tells of some moment between its question and its coming: the edge came after the last question
    that still got the old count, and before the first answer with a new one.
    """
    asked_s = link.now_s()
    count = link.edges(pin)
    end = asked_s + 0.5
    while True:
        next_s = link.now_s()
        again, now_s = link.edges(pin), link.now_s()
        if again != count:
            return again, (asked_s + now_s) / 2, (now_s - asked_s) / 2
        if now_s > end:
            raise LinkError(
                Fault(
                    f"no pulses arrive on {name}",
                    remedy=f"wire output {output} of the expander to {name} of the board, grounds joined",
                )
            )
        asked_s = next_s
