"""The shipped program from inside: where its parts are, and whether any of its outputs lives."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

from sequencer.board.emulated import EmulatedUno
from sequencer.board.emulated_kinds import port_address

DIRECTIONS = (0x24, 0x27, 0x2A)  # DDRB, DDRC, DDRD


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
    """Every pin is an input, and no timer drives one.

    D1 is the serial line's, which the transmitter drives whatever its direction bit says.
    """
    data = board.chip.data
    directions = (port_address(letter) - 1 for letter in board.kind.port_letters)
    modes = {timer.control for timer in board.kind.lamps.values()}
    return not any(data[at] for at in directions) and not any(data[at] & 0xFC for at in modes)
