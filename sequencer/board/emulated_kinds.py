"""What the emulated boards differ in: chip, where a reset begins, which pin is on which port, lamp timers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sequencer.errors import Fault, PortError


@dataclass(frozen=True)
class LampTimer:
    """A pin's PWM: data addresses of its compare value and control register, shift of its COM bits there."""

    compare: int
    control: int
    shift: int


@dataclass(frozen=True)
class BoardKind:
    """One kind of board.

    ``loader_start`` is where a reset begins when there is a loader (the fuses say so), ``ports`` the
    port and first bit of each run of pins as (first pin, port letter, bit, step). ``lamp_top`` is the
    highest compare value, and a PWM period has ``lamp_top + 1`` steps of eight cycles.
    """

    title: str
    mcu: str
    flash_bytes: int
    loader_start: int
    runs: tuple[tuple[int, str, str], ...]
    lamps: Mapping[int, LampTimer]
    lamp_top: int
    first_analog: int = 14

    def port_bit(self, pin: int) -> tuple[str, int]:
        """The port letter and bit of a pin.

        Raises:
            PortError: the board has no such pin.
        """
        for first, ports, bits in self.runs:
            if first <= pin < first + len(ports):
                return ports[pin - first], int(bits[pin - first])
        raise PortError(Fault(f"{self.title} has no such pin", value=str(pin)))

    @property
    def i2c(self) -> tuple[int, int]:
        """The pins of SDA and SCL."""
        return (20, 21) if self.mcu == "atmega2560" else (18, 19)

    @property
    def port_letters(self) -> str:
        """Every port that has a pin."""
        return "".join(sorted({letter for _, ports, _ in self.runs for letter in ports}))


def port_address(letter: str) -> int:
    """PORTx in data memory; DDRx is one below, PINx two (register summaries of both chips' data sheets)."""
    low = "ABCDEFG".find(letter)
    return 0x22 + 3 * low if low >= 0 else 0x102 + 3 * "HJKL".index(letter)


# 0-7 are D, 8-13 are B, 14-19 (A0-A5) are C.
_UNO_RUNS: Final = ((0, "DDDDDDDD", "01234567"), (8, "BBBBBB", "012345"), (14, "CCCCCC", "012345"))
_UNO_LAMPS: Final = {
    3: LampTimer(0xB4, 0xB0, 4),
    5: LampTimer(0x48, 0x44, 4),
    6: LampTimer(0x47, 0x44, 6),
    11: LampTimer(0xB3, 0xB0, 6),
}
UNO: Final = BoardKind("an Uno", "atmega328p", 0x8000, 0x7E00, _UNO_RUNS, _UNO_LAMPS, 255)
#: Its fuses make room for the old loader of 2 KB, also when the new one of 512 bytes lies at the end of it.
NANO: Final = BoardKind("a Nano", "atmega328p", 0x8000, 0x7800, _UNO_RUNS, _UNO_LAMPS, 255)
_MEGA_RUNS: Final = (
    (0, "EEEEGEHHHH", "0145533456"),
    (10, "BBBBJJHHDD", "4567101032"),
    (20, "DDAAAAAAAA", "1001234567"),
    (30, "CCCCCCCCDG", "7654321072"),
    (40, "GGLLLLLLLL", "1076543210"),
    (50, "BBBB", "3210"),
    (54, "FFFFFFFF", "01234567"),
    (62, "KKKKKKKK", "01234567"),
)
# Timers 3, 4 and 5: TCCRnA at 0x90, 0xA0, 0x120; OCRnA, B, C eight, ten and twelve above it.
_MEGA_LAMPS: Final = {
    pin: LampTimer(control + 8 + 2 * output, control, 6 - 2 * output)
    for control, pins in ((0x90, (5, 2, 3)), (0xA0, (6, 7, 8)), (0x120, (46, 45, 44)))
    for output, pin in enumerate(pins)
}
MEGA: Final = BoardKind("a Mega", "atmega2560", 0x40000, 0x3E000, _MEGA_RUNS, _MEGA_LAMPS, 4095, 54)
BOARD_KINDS: Final[Mapping[str, BoardKind]] = {"uno": UNO, "nano": NANO, "mega": MEGA}
