"""What the player may use: RAM with its stack measured, and the cycles its interrupts are said to take."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.frames import Frame
from sequencer.board.link import Link
from sequencer.board.messages import catalogue
from sequencer.errors import LinkError
from sequencer.player.player import Fault
from sequencer.tables.extra_guard import SUPPLY_CURRENT, SensorRecord, guard_extra, slice_shift, slices
from sequencer.tables.image import build_image
from sequencer.tables.model import ShowImage
from tests.board.emulated_show import BEAM, FRAME

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


def everything(show: ShowImage) -> bytes:
    """The show with what else a board can carry: analog inputs with learned limits."""
    frames = [scene.frames for scene in show.scenes]
    limits = [
        None if scene.loop else tuple(bytes([250] * slices(n, slice_shift(n))) for _ in range(2))
        for scene, n in zip(show.scenes, frames, strict=True)
    ]
    sensors = [
        SensorRecord(pin, SUPPLY_CURRENT, 100, 0, 4, 250, 3, hold=True, tell_only=False) for pin in (20, 21)
    ]
    extra = guard_extra(sensors, frames, limits)
    assert extra is not None
    return build_image(replace(show, extras=(extra,)))


def flood(rng: np.random.Generator) -> bytes:
    """Requests of every kind and length, whole, spoilt and unknown, one after another."""
    out = b""
    stays = [kind.code for kind in catalogue().by_name.values() if kind.name not in ("workshop", "hold")]
    for kind in (*stays, 0x3F, 0x7F):
        body = rng.bytes(int(rng.integers(0, 12)))
        coded = bytearray(Frame(int(rng.integers(1, 256)), kind & 0x7F, body).encode())
        if rng.random() < 0.3:
            coded[int(rng.integers(0, len(coded)))] ^= 0x10
        out += bytes(coded)
    return out


def test_variables_and_stack_leave_a_margin(twelve, put_on_board, player_facts, capsys):
    """Twelve servos through start, idle, both scenes, a beam, hold, return and a fault, all asked for."""
    _, show, _ = twelve
    image = everything(show)
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
    rng = np.random.default_rng(8)
    for _ in range(50):
        port.board.feed(flood(rng))
        port.board.run(FRAME)
    port.board.run_s(0.2)
    port.board.take()
    link.hello()  # the flood was another host: its numbers count no more
    link.hold()  # whatever was asked for
    talk(1.2)
    link.resume()
    talk(1.5)
    port.board.load(int(player_facts["image_base"]) + 30, b"\0\1")
    port.board.run_s(2 * len(image) / 3200 + 2.0)
    link = Link(port)
    assert link.hello().fault == Fault.LOST_IMAGE
    talk(0.5)
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


@dataclass(frozen=True)
class Step:
    """An instruction: its cycles, and those it may be followed by, each with the cycles that choice adds."""

    cycles: int
    text: str
    onward: tuple[tuple[int, int], ...]


def steps(listing: str, vector: int) -> list[Step]:
    """An interrupt's instructions, without calls."""
    body = re.search(rf"<__vector_{vector}>:\n(.*?)\n\n", listing, re.DOTALL)
    assert body, f"vector {vector} is not there"
    rows = [line.split("\t") for line in body[1].splitlines()]
    code = [(int(row[0].strip(" :"), 16), len(row[1].split()) // 2, row[2], row[3:]) for row in rows]
    index = {at: number for number, (at, *_) in enumerate(code)}
    found = []
    for number, (_, _, name, arguments) in enumerate(code):
        target = (
            re.search(r"0x([0-9a-f]+)", arguments[-1])[1]
            if ".+" in str(arguments) or ".-" in str(arguments)
            else None
        )
        text = " ".join([name, *arguments])
        if name == "reti":
            found.append(Step(4, text, ()))
        elif name == "rjmp":
            found.append(Step(2, text, ((index[int(target, 16)], 0),)))
        elif name.startswith("br"):
            found.append(Step(1, text, ((number + 1, 0), (index[int(target, 16)], 1))))
        elif name in ("cpse", "sbrc", "sbrs"):
            found.append(Step(1, text, ((number + 1, 0), (number + 2, code[number + 1][1]))))
        else:
            assert name not in ("call", "rcall", "icall", "jmp"), name
            found.append(Step(CYCLES.get(name, 1), text, ((number + 1, 0),)))
    return found


def longest(listing: str, vector: int) -> int:
    """Cycles of the longest way through an interrupt without loops, from its request to its end."""
    code = steps(listing, vector)

    @cache
    def rest(number: int) -> int:
        step = code[number]
        return step.cycles + max((more + rest(after) for after, more in step.onward), default=0)

    return RESPONSE + rest(0)


def to_first_look(listing: str, vector: int = 11) -> int:
    """Cycles from the compare interrupt's start to the end of its first reading of the counter."""
    code = steps(listing, vector)
    at, cycles = 0, 0
    while "0x0085" not in code[at].text:  # TCNT1H, the second half
        cycles += code[at].cycles
        # The way to an edge is the first look's: it lies nearer than the other one.
        at, more = min(
            code[at].onward,
            key=lambda way: next(n for n in range(way[0], len(code)) if "0x0084" in code[n].text) - way[0],
        )
        cycles += more
    return cycles + code[at].cycles


def test_the_interrupts_take_the_cycles_that_the_budget_counts(build_avr, tmp_path: Path) -> None:
    elf = tmp_path / "player.elf"
    build_avr.compile_elf(elf, build_avr.sources())
    listing = subprocess.run(
        ["avr-objdump", "-d", str(elf)], capture_output=True, text=True, check=True
    ).stdout
    pulses = (build_avr.AVR / "pulses.c").read_text()
    budget = re.search(r"lamps\.c's +(\d+) +\(uart\.c's tx (\d+), rx (\d+);", pulses)
    assert budget, "pulses.c has no budget"
    # The compiler's choice of registers moves these by a few cycles; the budget must say no less.
    for said, vector in zip(map(int, budget.groups()), (16, 19, 18), strict=True):
        assert said - 8 <= longest(listing, vector) <= said
    look = re.search(r"first reading of TCNT1 +(\d+)", pulses)
    assert look
    assert int(look[1]) - 8 <= to_first_look(listing) <= int(look[1])
    mega = re.search(r"tx with (\d+) and the entry takes (\d+): (\d+) together", pulses)
    assert mega
    sent, entry, sum_of_mega = map(int, mega.groups())
    elf = tmp_path / "mega.elf"
    build_avr.compile_elf(elf, build_avr.sources(), target=build_avr.MEGA)
    on_mega = subprocess.run(
        ["avr-objdump", "-d", str(elf)], capture_output=True, text=True, check=True
    ).stdout
    more = 2  # its program counter has three bytes to push, and to pop
    assert sent - 8 <= max(longest(on_mega, 25), longest(on_mega, 26)) + more <= sent
    assert entry - 8 <= to_first_look(on_mega, 17) <= entry
    assert sum_of_mega == 4 + sent + 8 + entry + 20 + 40
    table = pulses[pulses.index("running instruction") : pulses.index("of LEAD")]
    rows = [re.search(r" {2,}(\d+)\b", line.replace("*", " ", 1)) for line in table.splitlines()]
    *parts, together = [int(row[1]) for row in rows if row]
    assert len(parts) == 6
    assert sum(parts) == together, "the budget's sum"
    lead = re.search(r"#define LEAD (\d+)u", pulses)
    assert lead
    assert together <= int(lead[1])
