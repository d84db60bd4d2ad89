"""How long a show's parts on the I2C bus keep it busy in one frame."""

from __future__ import annotations

from sequencer.errors import Fault, PlanError
from sequencer.tables.extra_expanders import FIRST_PIN, OUTPUTS, read_expanders
from sequencer.tables.extra_memory import read_memory
from sequencer.tables.model import NONE, ShowImage

#: Clocks of a byte with its acknowledgement.
_BYTE_CLOCKS = 9
#: Bytes of an output, of the look at an expander, of a line of memory (avr/expander.c, avr/memory.c).
_OUTPUT, _LOOK, _LINE = 6, 4, 12
#: What the bus may take of a frame of 20 ms: the rest is for working the frame out, and for the link.
MOST_MS = 11.0
#: Bytes of memory in a line, and clocks of its two STARTs and its STOP.
_LINE_HOLDS, _LINE_EDGES = 8, 4
#: What a byte costs beside the bus: its CRC and the way to it (in the emulator 15 us on an Uno, 18 on a
#: Mega), and the turns of the loop that waits for the bus.
_BYTE_S = 25e-6


def memory_check_s(size: int, bus_khz: int) -> float:
    """How long a board that starts reads through so many bytes of I2C memory, deaf to its link."""
    clocks = (_LINE * _BYTE_CLOCKS + _LINE_EDGES) / _LINE_HOLDS
    return size * (clocks / (1e3 * bus_khz) + _BYTE_S)


def busy_ms(show: ShowImage, bus_khz: int) -> float:
    """The busiest frame: each output and expander once, while a scene begins in the memory."""
    pins = [*(track.pin for track in show.tracks), *(lamp.pin for lamp in show.lamps)]
    outputs = sum(FIRST_PIN <= pin < FIRST_PIN + 4 * OUTPUTS and pin != NONE for pin in pins)
    count = _OUTPUT * outputs + _LOOK * len(read_expanders(show))
    if read_memory(show.extras) is not None:
        count += 2 * _LINE * len(show.tracks)
    return count * _BYTE_CLOCKS / bus_khz


def check_bus(show: ShowImage, bus_khz: int) -> None:
    """Refuse what does not fit a frame.

    Raises:
        PlanError: tells the time and the limit.
    """
    busy = busy_ms(show, bus_khz)
    if busy > MOST_MS:
        raise PlanError(
            Fault(
                "the parts on the I2C bus need too much of each frame",
                quantity="bus",
                value=f"{busy:.1f} ms",
                limit=f"{MOST_MS:g} ms of 20",
                remedy="write i2c_khz = 400 under [board] (short wires)"
                if bus_khz < 400
                else "move servos from expanders to pins of the board, or spread the figure over two boards",
            )
        )
