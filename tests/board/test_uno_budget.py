"""What the player may use: RAM with its stack measured, and the cycles its interrupts are said to take."""

from __future__ import annotations

import re
import subprocess
from functools import cache
from pathlib import Path

import pytest

from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.errors import LinkError
from tests.board.emulated_show import BEAM

RAM_BEGIN, RAM_BYTES, MARGIN = 0x100, 2048, 128
#: Written behind the variables by health.c.
CANARY = bytes([0xC5]) * 8
PAINT = 0xA5


def painted(port: EmulatedTransport) -> Link:
    """Reset, with every byte of RAM painted before the first instruction."""
    port.reset()
    for address in range(RAM_BEGIN, RAM_BEGIN + RAM_BYTES):
        port.board.chip.data[address] = PAINT
    link = Link(port)
    link.hello()
    return link


def stack_bytes(port: EmulatedTransport, static: int) -> int:
    """From the top of RAM down to the lowest byte above the variables that anything was written to."""
    ram = bytes(port.board.chip.data[RAM_BEGIN : RAM_BEGIN + RAM_BYTES])
    free = static + len(CANARY)
    assert ram[static:free] == CANARY
    lowest = next(at for at in range(free, RAM_BYTES) if ram[at] != PAINT)
    assert ram[free:lowest] == bytes([PAINT]) * (lowest - free)
    return RAM_BYTES - lowest


def assert_room(port: EmulatedTransport, static: int, what: str, capsys: pytest.CaptureFixture[str]) -> None:
    stack = stack_bytes(port, static)
    said = (
        f"{what}: {static} bytes of variables, {len(CANARY)} of canary and {stack} of stack, of {RAM_BYTES}"
    )
    with capsys.disabled():
        print(f"\n  {said}")
    assert stack > 32, "nothing ran"
    assert static + len(CANARY) + stack <= RAM_BYTES - MARGIN, f"{said} (less {MARGIN} kept free)"


def test_variables_and_stack_leave_a_margin(twelve, put_on_board, player_facts, capsys):
    """Twelve servos through start, idle, both scenes, a beam, hold and return, asked all the time."""
    image, show, _ = twelve
    port = put_on_board(image)
    for record in show.inputs:
        port.board.drive(record.pin, int(record.active_low))
    link = painted(port)
    link.wait_ready()

    def talk(seconds: float) -> None:
        end = port.now_s() + seconds
        while port.now_s() < end:
            link.status()
            link.hello()
            link.reports(0.013)

    talk(0.5)
    for scene in ("greet", "storm"):
        link.cue(show.number(scene))
        talk(1.5)
        with pytest.raises(LinkError):
            link.cue(99)
        talk(5.0)
    port.board.drive(BEAM, 0)
    talk(0.3)
    port.board.drive(BEAM, 1)
    talk(2.0)
    link.hold()
    talk(2.0)
    link.resume()
    talk(2.0)
    assert_room(port, int(player_facts["ram_bytes"]), "a show", capsys)


def test_the_bench_leaves_a_margin(put_on_board, player_facts, capsys):
    port = put_on_board(None)
    link = painted(port)
    for pulse in range(1400, 1600, 10):
        link.bench_servo(9, pulse)
        link.bench_lamp(5, pulse % 200)
        link.reports(0.03)
    port.read(1, 2.5)  # and what it does about silence
    assert_room(port, int(player_facts["ram_bytes"]), "the bench", capsys)


# -- cycles of the interrupts --------------------------------------------------------------------------

#: Cycles of instructions that do not branch (AVR instruction set manual, AVRe core); others take one.
CYCLES = dict.fromkeys(("push", "pop", "lds", "sts", "ld", "ldd", "st", "std", "adiw", "sbiw"), 2)
RESPONSE = 7  # to the interrupt, and the jump in its vector


def longest(listing: str, vector: int) -> int:
    """Cycles of the longest way through an interrupt without loops, from its request to its end."""
    body = re.search(rf"<__vector_{vector}>:\n(.*?)\n\n", listing, re.DOTALL)
    assert body, f"vector {vector} is not there"
    rows = [line.split("\t") for line in body[1].splitlines()]
    code = [(int(row[0].strip(" :"), 16), len(row[1].split()) // 2, row[2], row[3:]) for row in rows]
    index = {at: number for number, (at, *_) in enumerate(code)}

    @cache
    def rest(number: int) -> int:
        _, _, name, arguments = code[number]
        target = re.search(r"0x([0-9a-f]+)", arguments[-1])[1] if ".+" in "".join(arguments) else None
        if name == "reti":
            return 4
        if name == "rjmp":
            return 2 + rest(index[int(target, 16)])
        if name.startswith("br"):
            return max(1 + rest(number + 1), 2 + rest(index[int(target, 16)]))
        if name in ("cpse", "sbrc", "sbrs"):
            return max(1 + rest(number + 1), 1 + code[number + 1][1] + rest(number + 2))
        assert name not in ("call", "rcall", "icall", "jmp"), name
        return CYCLES.get(name, 1) + rest(number + 1)

    return RESPONSE + rest(0)


def test_the_interrupts_take_the_cycles_that_the_budget_counts(build_avr, tmp_path: Path) -> None:
    elf = tmp_path / "player.elf"
    build_avr.compile_elf(elf, build_avr.sources())
    listing = subprocess.run(
        ["avr-objdump", "-d", str(elf)], capture_output=True, text=True, check=True
    ).stdout
    pulses = (build_avr.AVR / "pulses.c").read_text()
    budget = re.search(r"uart.c's tx +(\d+) +\(rx (\d+), lamps' (\d+);", pulses)
    assert budget, "pulses.c has no budget"
    transmit, receive, lamps = (int(number) for number in budget.groups())
    assert (transmit, receive, lamps) == tuple(longest(listing, vector) for vector in (19, 18, 16))
    said = re.search(r"counts on (\d+) cycles", (build_avr.AVR / "uart.c").read_text())
    assert said
    assert int(said[1]) == max(transmit, receive)
    table = pulses[pulses.index("running instruction") : pulses.index("of LEAD")]
    rows = [re.search(r" {2,}(\d+)\b", line.replace("*", " ", 1)) for line in table.splitlines()]
    *parts, together = [int(row[1]) for row in rows if row]
    assert len(parts) == 6
    assert sum(parts) == together, "the budget's sum"
