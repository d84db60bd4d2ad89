"""A program that stands still, on the emulated board: outputs dead, a new start, and no fourth one."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from sequencer.board.emulated import EmulatedUno
from sequencer.board.emulated_kinds import MEGA, NANO
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.board.reports import FAULT, IDLE, Hello
from sequencer.board.simavr import F_CPU
from sequencer.board.simavr_loader import MEGA as MEGA_LOADER
from sequencer.board.simavr_loader import OLD_NANO, packaged_loader
from sequencer.player.player import Fault
from sequencer.tables.image import build_image
from tests.board.conftest import DATA
from tests.board.emulated_show import Stage, made_show
from tests.board.inside import DIRECTIONS, Symbols, dead
from tests.board.test_expanders import made, started

WATCHDOG = 0x08  # MCUSR's WDRF, ATmega328P datasheet 11.9.1
#: rjmp .-2, an endless loop of one instruction (AVR instruction set manual: 1100 kkkk kkkk kkkk, k = -1).
STAND_STILL = b"\xff\xcf"
CLI = b"\xf8\x94"
#: The watchdog's time (0.125 s, and the silicon's own oscillator is not more exact than that) and one frame.
BITES_S = 0.125 + 0.020


@contextmanager
def standing_still(board: EmulatedUno, at: int, code: bytes = STAND_STILL) -> Iterator[None]:
    """The program's own bytes at ``at`` replaced, and put back."""
    good = board.chip.flash()[at : at + len(code)]
    board.load(at, code)
    yield
    board.load(at, good)


def busiest(board: EmulatedUno) -> int:
    """The address at which the main loop is most often met."""
    seen: Counter[int] = Counter()
    for _ in range(2000):
        board.run(37)
        seen[board.chip.pc] += 1
    return seen.most_common(1)[0][0]


def seconds_to_death(board: EmulatedUno, limit_s: float = 1.0) -> float:
    begin = board.cycle
    while not dead(board):
        board.run(200)
        assert (board.cycle - begin) / F_CPU < limit_s, "the outputs live on"
    return (board.cycle - begin) / F_CPU


def met_again(port: EmulatedTransport) -> tuple[Link, Hello]:
    """The board after a reset that nobody asked for."""
    port.board.run_s(0.5)
    port.board.take()
    link = Link(port)
    return link, link.hello()


def hang(stage: Stage, at: int, code: bytes = STAND_STILL) -> float:
    with standing_still(stage.board, at, code):
        return seconds_to_death(stage.board)


@pytest.mark.parametrize("where", ["main loop", "qj_points_next", "qj_curve"])
def test_a_hang_kills_the_outputs_and_starts_again(twelve, stage_of, symbols: Symbols, where):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(1.0)
    at = busiest(stage.board) if where == "main loop" else symbols.code(where)
    assert not dead(stage.board)
    assert hang(stage, at) <= BITES_S
    link, hello = met_again(stage.port)
    assert hello.reset_cause == WATCHDOG
    assert hello.reset_words == "the watchdog ended a hang"
    assert hello.fault == Fault.OK
    link.wait_ready()
    assert link.status().state == IDLE


def test_the_third_hang_in_a_row_is_the_last(twelve, stage_of, symbols):
    """Until then each is followed by a start; a reset by hand begins anew."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    for count in (1, 2, 3):
        hang(stage, busiest(stage.board))
        link, hello = met_again(stage.port)
        assert hello.reset_cause == WATCHDOG
        assert (hello.fault, hello.state == FAULT) == ((Fault.OK, False) if count < 3 else (Fault.HUNG, True))
    edges = len(stage.board.edges)
    stage.board.run_s(2.0)
    assert dead(stage.board)
    assert len(stage.board.edges) == edges
    assert link.hello().fault == Fault.HUNG
    stage.port.reset()
    link = Link(stage.port)
    assert link.hello().fault == Fault.OK
    link.wait_ready()


def test_the_last_hang_turns_the_expanders_off_too(put_on_board):
    """They go on by themselves while the program stands still, and end when it starts again."""
    stage, servos, _ = started(put_on_board, made())
    stage.link.wait_ready()
    for count in (1, 2, 3):
        with standing_still(stage.board, busiest(stage.board)):
            stage.board.run_s(0.1)
            assert servos.width_us(2) > 500
            seconds_to_death(stage.board)
        link, hello = met_again(stage.port)
        if count < 3:
            assert hello.fault == Fault.OK
            link.wait_ready()
    assert hello.fault == Fault.HUNG
    assert not any(servos.width_us(output) for output in range(16))


@pytest.mark.parametrize("where", ["main loop", "pulse interrupt"])
def test_with_interrupts_off_the_reset_follows(twelve, stage_of, symbols: Symbols, where):
    image, show, _ = twelve
    stage = stage_of(image, show)
    board = stage.board
    at, code = (
        (busiest(board), CLI + STAND_STILL)
        if where == "main loop"
        else (symbols.code("__vector_11"), STAND_STILL)
    )
    assert hang(stage, at, code) <= 2 * BITES_S
    link, hello = met_again(stage.port)
    assert hello.fault == Fault.OK
    assert hello.reset_words == "not known"  # this loader keeps it to itself
    link.wait_ready()


def test_a_pulse_interrupt_that_never_comes_again_is_a_hang(twelve, stage_of):
    """The main loop goes round and round, and no frame begins."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.board.chip.data[0x6F] = 0  # TIMSK1
    assert seconds_to_death(stage.board) <= BITES_S
    assert met_again(stage.port)[1].reset_cause == WATCHDOG


def old_nano(player_hex: str, base: int, image: bytes) -> EmulatedTransport:
    """The Nano with its first loader."""
    board = EmulatedUno(packaged_loader(OLD_NANO), NANO)
    board.load_hex(player_hex)
    board.load(base, image)
    return EmulatedTransport(board)


def test_the_old_loader_never_sees_a_hang(twelve, player_hex, player_facts, symbols):
    """Its own time-out at a start is long; after a hang the player is back at once, and knows why."""
    image, show, _ = twelve
    port = old_nano(player_hex, int(player_facts["image_base"]), image)
    board = port.board
    board.drive(show.inputs[0].pin, 1)
    board.reset()
    board.run_s(4.0)
    hello = Link(port).hello()
    assert hello.reset_words == "reset line"
    at = busiest(board)
    with standing_still(board, at):
        assert seconds_to_death(board) <= BITES_S
    link, hello = met_again(port)
    assert hello.reset_cause == WATCHDOG
    link.wait_ready()


def test_the_old_loader_cannot_live_with_a_watchdogs_reset(twelve, player_hex, player_facts, symbols):
    """Why the interrupt comes first. The board is dead until the power is cut, and no output lives."""
    image, _, _ = twelve
    port = old_nano(player_hex, int(player_facts["image_base"]), image)
    board = port.board
    board.reset()
    board.run_s(4.0)
    assert not dead(board)
    with standing_still(board, symbols.code("__vector_11")):
        seconds_to_death(board)
    board.take()
    for _ in range(500):
        board.run_s(0.01)
        assert board.chip.pc >= 0x7800, "the program runs"
        assert not any(board.chip.data[at] & ~0x20 for at in DIRECTIONS[:1]), (
            "only the loader's own lamp, D13"
        )
        assert not board.chip.data[DIRECTIONS[1]]
        assert not board.chip.data[DIRECTIONS[2]] & 0xFC
    board.power_on()
    board.run_s(4.0)
    assert Link(port).hello().fault == Fault.OK


@pytest.fixture
def mega() -> EmulatedTransport:
    """Three servos and lamps on a Mega behind its packaged loader."""
    facts = json.loads((DATA / "player_mega.json").read_text())
    show, _ = made_show((22, 23, 24))
    lamps = tuple(replace(lamp, pin=pin) for lamp, pin in zip(show.lamps, (5, 2, 3, 46), strict=True))
    show = replace(show, board="mega", lamps=lamps, inputs=())
    board = EmulatedUno(packaged_loader(MEGA_LOADER), MEGA)
    board.load_hex((DATA / "player_mega.hex").read_text())
    board.load(facts["image_base"], build_image(show))
    board.reset()
    board.run_s(4.0)
    return EmulatedTransport(board)


def test_a_hang_on_the_mega(mega: EmulatedTransport) -> None:
    """Its loader would wait for a second after a reset; the player is back before that."""
    link = Link(mega)
    assert link.hello().fault == Fault.OK
    link.wait_ready()
    assert not dead(mega.board)
    with standing_still(mega.board, busiest(mega.board)):
        assert seconds_to_death(mega.board) <= BITES_S
    link, hello = met_again(mega)
    assert hello.reset_cause == WATCHDOG
    link.wait_ready()


def test_the_megas_loader_lives_with_a_watchdogs_reset(mega: EmulatedTransport) -> None:
    """The packaged one goes straight to the program."""
    with standing_still(mega.board, busiest(mega.board), CLI + STAND_STILL):
        assert seconds_to_death(mega.board) <= 2 * BITES_S
    link, hello = met_again(mega)
    assert hello.fault == Fault.OK
    link.wait_ready()
