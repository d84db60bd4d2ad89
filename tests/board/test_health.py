"""What the firmware watches while it plays, and what it remembers over a reset."""

from __future__ import annotations

import zlib

import numpy as np
import pytest

from sequencer.board.emulated import EmulatedUno
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.board.reports import FAULT, IDLE, SCENE
from sequencer.player.player import Fault
from tests.board.emulated_show import FRAME, Stage
from tests.board.inside import Symbols, dead

POWER_ON, EXTERNAL = 0x01, 0x02
#: Bytes of the image that the player checks in a second of idling (health.c).
CHECKED = 64 * 50
RAM = range(0x100, 0x900)


def seconds_to_fault(stage: Stage, limit_s: float) -> float:
    """Until the outputs are dead; the link is not asked meanwhile."""
    begin = stage.board.cycle
    while not dead(stage.board):
        stage.board.run(FRAME // 4)
        assert (stage.board.cycle - begin) / 16e6 < limit_s, "the outputs live on"
    return (stage.board.cycle - begin) / 16e6


def assert_dead_for_good(stage: Stage, fault: Fault) -> None:
    """No edge, no lamp, and every question answered; asking for anything is refused."""
    stage.board.run(FRAME)  # a pulse under way ends as a pull-up
    edges = len(stage.board.edges)
    hello = stage.link.hello()
    assert (hello.state, hello.fault) == (FAULT, fault)
    for _ in range(20):
        stage.board.run_s(0.1)
        assert dead(stage.board)
    assert len(stage.board.edges) == edges
    assert stage.link.status().fault == fault


def test_a_stack_that_meets_the_variables_kills_the_outputs(twelve, stage_of, symbols: Symbols):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(0.5)
    for at in range(symbols.ram("__heap_start"), symbols.ram("__heap_start") + 8):
        assert stage.board.chip.data[at] == 0xC5
    stage.board.chip.data[symbols.ram("__heap_start") + 5] = 0
    assert seconds_to_fault(stage, 0.1) <= 0.041
    assert_dead_for_good(stage, Fault.RAM)


@pytest.mark.parametrize("where", ["first", "middle", "last"])
def test_an_image_that_changes_while_idle_kills_the_outputs(twelve, stage_of, player_facts, where):
    """Within the time of two passes: the changed byte may just have been read."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.link.wait_ready()
    assert stage.link.status().state == IDLE
    stage.run_s(len(image) / CHECKED + 0.1)
    assert stage.link.hello().fault == Fault.OK
    at = {"first": 22, "middle": len(image) // 2, "last": len(image) - 1}[where]
    base = int(str(player_facts["image_base"]))
    stage.board.load(base + at, bytes([image[at] ^ 0x10]))
    assert seconds_to_fault(stage, 10.0) <= 2 * len(image) / CHECKED + 0.1
    assert_dead_for_good(stage, Fault.LOST_IMAGE)
    stage.port.reset()
    assert Link(stage.port).hello().fault == Fault.BAD_CRC


def test_a_scene_is_not_interrupted_by_the_check(twelve, stage_of, player_facts):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.link.wait_ready()
    stage.cue("greet", 0)
    stage.run_s(2.5)  # the idle loop is still fading in
    assert stage.link.status().state == SCENE
    at = int.from_bytes(image[56:60], "little")  # the names: nothing that moves
    base = int(str(player_facts["image_base"]))
    stage.board.load(base + at + 1, bytes([image[at + 1] ^ 1]))
    stage.run_s(2 * len(image) / CHECKED + 0.2)
    assert stage.link.status().state == SCENE


@pytest.mark.parametrize(
    ("at", "value", "fault"),
    [
        (0, b"X", Fault.NO_IMAGE),
        (12, b"\x01", Fault.BAD_VERSION),
        (40, b"\xee", Fault.BAD_CRC),
        (6, b"\x01", Fault.BAD_CRC),  # a length beyond the chip
        (13, b"\x03", Fault.WRONG_BOARD),
        (14, b"\x0d", Fault.BAD_CONTENT),  # thirteen tracks
    ],
)
def test_a_bad_image_means_dead_outputs_and_a_clear_hello(twelve, put_on_board, at, value, fault):
    bad = bytearray(twelve[0])
    bad[at : at + len(value)] = value
    if fault not in (Fault.BAD_CRC, Fault.NO_IMAGE):
        bad[8:12] = zlib.crc32(bad[12:]).to_bytes(4, "little")
    port = put_on_board(bytes(bad))
    port.reset()
    link = Link(port)
    hello = link.hello()
    assert (hello.state, hello.fault) == (FAULT, fault)
    port.board.run_s(2.0)
    assert dead(port.board)


# -- what outlives a reset ---------------------------------------------------------------------------------


def record(board: EmulatedUno, symbols: Symbols) -> np.ndarray:
    """The last pulses, from RAM."""
    at = symbols.ram("kept")
    return np.frombuffer(bytes(board.chip.data[at : at + 24]), "<u2")


def crc16(data: bytes, crc: int = 0xFFFF) -> int:
    """CRC-16/CCITT-FALSE as the catalogue of parametrised CRCs has it (poly 1021, init ffff)."""
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return crc


def power_cut(port: EmulatedTransport, seed: int) -> None:
    """Power gone long enough for RAM to hold anything."""
    noise = np.random.default_rng(seed).bytes(len(RAM))
    port.board.power_on()
    for at, byte in zip(RAM, noise, strict=True):
        port.board.chip.data[at] = byte


def test_every_start_has_a_number_of_its_own(twelve, stage_of):
    """Over resets and power cuts; also when a scene began as soon as it could, and the reset came in it."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    numbers = [stage.link.hello().boot]
    stage.run_s(0.5)
    for kind in ("reset", "power", "reset", "scene", "scene"):
        if kind == "power":
            power_cut(stage.port, 1)
        else:
            stage.port.reset()
        link = Link(stage.port)
        numbers.append(link.hello().boot)
        if kind == "scene":
            link.cue(show.number("storm"))
            while Link(stage.port).status().state != SCENE:
                stage.board.run(FRAME)
        else:
            stage.board.run_s(0.5)  # a start that is cut short before anything could play may not count
    assert numbers == [numbers[0] + i for i in range(6)]


def test_the_last_pulses_outlive_a_reset_and_the_loader(twelve, stage_of, symbols):
    """In the middle of a scene; what is kept is what the pins did last."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.cue("storm")
    stage.run_s(3.0)
    frame = stage.to_mid_frame()
    kept = record(stage.board, symbols)
    stage.board.run(2 * FRAME)
    assert np.abs(stage.widths()[frame].astype(int) - kept.astype(int)).max() <= 1
    stage.to_mid_frame()
    kept = record(stage.board, symbols)
    stage.port.reset()
    stage.board.run_s(1.0)  # in the loader
    after = record(stage.board, symbols)
    np.testing.assert_array_equal(after, kept)
    at = symbols.ram("kept")
    raw = bytes(stage.board.chip.data[at : at + 26])
    assert crc16(raw[:24], int.from_bytes(image[8:10], "little")) == int.from_bytes(raw[24:], "little")


def test_settling_begins_where_the_servos_stand(twelve, stage_of, symbols):
    """Reset in the middle of a scene: each servo's first pulse is its last one, within the track's LSB."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.cue("storm")
    stage.run_s(3.0)
    stage.to_mid_frame()
    last = record(stage.board, symbols).astype(int)
    stage.board.edges.clear()
    stage.port.reset()
    stage.board.run_s(5.0)
    for track, before in zip(show.tracks, last, strict=True):
        first = stage.board.pulses(track.pin)[0].width
        parked = 16 * (track.origin_us + track.parked * 2.0**-track.lsb_exponent)
        assert abs(first - before) <= 1 + 16 * 2.0**-track.lsb_exponent, track.name
        assert abs(before - parked) > 100 or track.name != "t0"
    assert Link(stage.port).status().state == IDLE


def assert_starts_parked(stage: Stage) -> None:
    for track in stage.show.tracks:
        parked = 16 * (track.origin_us + track.parked * 2.0**-track.lsb_exponent)
        assert abs(stage.board.pulses(track.pin)[0].width - parked) <= 1, track.name


def test_after_a_power_cut_settling_begins_parked(twelve, stage_of, symbols):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.cue("storm")
    stage.run_s(3.0)
    stage.board.edges.clear()
    power_cut(stage.port, 5)
    stage.board.run_s(2.0)
    assert_starts_parked(stage)


def test_a_damaged_record_is_not_believed(twelve, stage_of, symbols):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.cue("storm")
    stage.run_s(3.0)
    stage.to_mid_frame()
    stage.board.edges.clear()
    stage.port.reset()
    stage.board.chip.data[symbols.ram("kept") + 7] ^= 0x04
    stage.board.run_s(3.0)
    assert_starts_parked(stage)


@pytest.mark.parametrize("what", ["image", "ram"])
def test_no_pulse_is_cut_short_by_a_fault(twelve, stage_of, symbols: Symbols, player_facts, what: str):
    """A servo follows the last pulse it saw; so the last one has its length, and then the pin is low."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.link.wait_ready()
    stage.run_s(0.5)
    board = stage.board
    pins = [track.pin for track in show.tracks]
    if what == "image":
        board.load(int(str(player_facts["image_base"])) + 22, bytes([image[22] ^ 0x10]))
    else:
        board.chip.data[symbols.ram("__heap_start") + 5] = 0
    while not dead(board):
        board.run(400)
    assert all(board.port_level(pin) == 0 for pin in pins), "a pin let go while high"
    edges = len(board.edges)
    board.run(2 * FRAME)
    assert len(board.edges) == edges, "a pulse that a pull-up makes"
    for pin in pins:
        before, last = board.pulses(pin)[-2:]
        assert abs(last.width - before.width) < 16 * 60, pin


def test_a_reset_at_any_moment_leaves_the_record_whole(twelve, stage_of, symbols: Symbols, capsys):
    """A CRC that is worked out in place would be wrong in one moment of 120; what is left is its copying."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.link.wait_ready()
    stage.cue("greet", 0)
    stage.run_s(2.0)
    at, start = symbols.ram("kept"), int.from_bytes(image[8:10], "little")
    broken = 0
    for _ in range(3000):
        stage.board.run(3203)
        raw = bytes(stage.board.chip.data[at : at + 26])
        broken += crc16(raw[:24], start) != int.from_bytes(raw[24:], "little")
    with capsys.disabled():
        print(f"\n  the record of the last pulses: {broken} of 3000 moments not whole")
    assert broken <= 4


def test_pulses_from_before_a_fault_are_forgotten(twelve, stage_of, symbols: Symbols, player_facts):
    """A dead head falls: whatever was known of it is not true any more when the image is whole again."""
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.cue("storm")
    stage.run_s(3.0)
    assert record(stage.board, symbols).any()
    base = int(str(player_facts["image_base"]))
    stage.board.load(base + 40, bytes([image[40] ^ 1]))
    stage.port.reset()
    assert Link(stage.port).hello().fault == Fault.BAD_CRC
    stage.board.run_s(1.0)
    stage.board.load(base + 40, image[40:41])
    assert not record(stage.board, symbols).any()
    stage.port.reset()
    stage.board.edges.clear()
    link = Link(stage.port)
    assert link.hello().fault == Fault.OK
    link.wait_ready()
    for track in show.tracks:
        parked = 16 * (track.origin_us + track.parked * 2.0**-track.lsb_exponent)
        assert abs(stage.board.pulses(track.pin)[0].width - parked) <= 1 + 16 * 2.0**-track.lsb_exponent


@pytest.mark.parametrize("noise", [0x84, 0x90, 0xFF, 0x03])
def test_noise_in_ram_is_no_count_of_hangs(twelve, put_on_board, symbols: Symbols, noise: int):
    """After power came on RAM holds anything, even a number and its complement; this loader hides that.

    Of the 65536 pairs only the one that a third hang leaves is still taken for one.
    """
    port = put_on_board(twelve[0])
    data = port.board.chip.data
    data[symbols.ram("hangs")], data[symbols.ram("not_hangs")] = noise, noise ^ 0xFF
    port.board.power_on()
    hello = Link(port).hello()
    assert hello.fault == Fault.OK
    assert hello.reset_cause & 0x08 == 0


@pytest.mark.parametrize("image", ["none", "a show"])
def test_a_person_who_mistyped_is_answered_after_a_pause(twelve, put_on_board, image: str):
    port = put_on_board(twelve[0] if image == "a show" else None)
    port.reset()
    port.board.run_s(2.5)
    port.board.take()
    port.board.feed(b"help\r\n")
    port.board.run_s(0.5)
    assert port.board.take() == b""
    port.board.feed(b"?")
    port.board.run_s(0.5)
    assert b" fault " in port.board.take()
    assert Link(port).request("ask_telemetry").number("clock") > 50
