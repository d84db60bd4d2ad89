"""The shipped program from inside: where its parts are, and whether any of its outputs lives."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

from sequencer.board.emulated import EmulatedUno

DIRECTIONS = (0x24, 0x27, 0x2A)  # DDRB, DDRC, DDRD
PWM_MODES = (0x44, 0xB0)  # TCCR0A, TCCR2A


@dataclass(frozen=True)
class Symbols:
    """Where the program's parts are: code by name (first bytes), RAM by name."""

    at: dict[str, int]

    def code(self, name: str) -> int:
        return next(at for found, at in self.at.items() if found.split(".")[0] == name and at < 0x8000)

    def ram(self, name: str) -> int:
        return next(
            at - 0x800000 for found, at in self.at.items() if found.split(".")[0] == name and at >= 0x800000
        )


def symbols_of(elf: Path) -> Symbols:
    """What the linker placed where."""
    listing = subprocess.run(["avr-nm", str(elf)], capture_output=True, text=True, check=True).stdout
    return Symbols(
        {name: int(at, 16) for at, _, name in re.findall(r"^(\w+) (\w) (\S+)$", listing, re.MULTILINE)}
    )


def dead(board: EmulatedUno) -> bool:
    data = board.chip.data
    # D1 is the serial line's, which the transmitter drives whatever its direction bit says.
    return not any(data[at] for at in DIRECTIONS) and not any(data[at] & 0xF0 for at in PWM_MODES)
