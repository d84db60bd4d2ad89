"""What hangs on the emulated board of the command line, so that any figure can be tried on it."""

from __future__ import annotations

from sequencer.board.eeprom24 import BYTES, Eeprom24
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.pca9685 import Pca9685
from sequencer.board.simavr import F_CPU

#: Addresses of memory chips, and of expanders as their jumpers A0 to A2 choose them.
MEMORIES = (0x50, 0x51)
EXPANDERS = range(0x40, 0x48)


def plug_parts(port: EmulatedTransport, outside: bytes) -> list[Eeprom24]:
    """Every expander that a figure may name, and the memory with this content; its chips."""
    board = port.board
    for address in EXPANDERS:
        board.i2c.plug(Pca9685(address))
    chips = [Eeprom24(lambda: board.cycle / F_CPU, address) for address in MEMORIES]
    for number, chip in enumerate(chips):
        chip.content[:] = outside[number * BYTES : (number + 1) * BYTES]
        board.i2c.plug(chip)
    return chips


def rest_inputs(port: EmulatedTransport, kind: str) -> None:
    """Nobody at a trigger or stop, and the servos' supply there, as the show in the flash wires them."""
    from sequencer.firmware.boards import board_description
    from sequencer.tables.layout import HEADER, INPUT, MAGIC, Header
    from sequencer.tables.model import INPUT_KINDS, LARGEST_COUNTS

    image = port.board.chip.flash()[board_description(kind).image_base :]
    head = Header(*HEADER.unpack_from(image))
    if head.magic != MAGIC or head.inputs_at + INPUT.size * head.inputs > len(image):
        return  # no show, or half of one: nothing is driven
    for number in range(min(head.inputs, LARGEST_COUNTS["inputs"])):
        pin, is_a, flags, *_ = INPUT.unpack_from(image, head.inputs_at + INPUT.size * number)
        port.board.drive(pin, int(bool(flags & 1) != (is_a == INPUT_KINDS["rail"])))
