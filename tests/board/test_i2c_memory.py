"""A show that is larger than the board's flash: its other half in an I2C memory on the emulated bus."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
import pytest

from sequencer.board.eeprom24 import BYTES, Eeprom24
from sequencer.board.emulated import F_CPU
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.flash import flash_board
from sequencer.board.i2c_memory import send_outside
from sequencer.board.link import Link
from sequencer.board.virtual_boards import open_virtual
from sequencer.board.virtual_state import outside_path
from sequencer.errors import LinkError
from sequencer.firmware.boards import board_description, prebuilt_player
from sequencer.firmware.join import join
from sequencer.player.player import Fault, Player, State
from sequencer.tables.bus import MOST_MS, busy_ms
from sequencer.tables.extra_memory import read_memory
from sequencer.tables.image import build_image, image_crc32, inside_bytes, read_image
from sequencer.tables.model import ShowImage
from sequencer.tables.rice import encode_track
from tests.board.boards import MEGA_SERVO_PINS, on_board
from tests.board.emulated_show import (
    FRAME,
    Stage,
    check_against_core,
    core_frames,
    made_show,
    start_stage,
)
from tests.board.test_strings import drain, saturate

#: Twelve servos without A4 and A5.
PINS = (2, 4, 7, 8, 9, 10, 14, 15, 16, 17, 12, 5)
SDA = 18
LIMIT = board_description("uno").image_bytes


def twitches(show: ShowImage, frames: int, seed: int) -> tuple[bytes, ...]:
    """A stream a track that hardly compresses."""
    rng = np.random.default_rng(seed)
    streams = []
    for track in show.tracks:
        spans = frames // track.knot_frames
        points = np.full(spans + 3, track.rest, dtype=np.int64)
        points[3:-3] += rng.integers(-4000, 4000, spans - 3)
        streams.append(encode_track(points, track.rest, False))
    return tuple(streams)


def long_show() -> ShowImage:
    """``storm`` twitches all servos for 26 s."""
    show, _ = made_show(PINS, seed=3)
    frames = 1302
    scenes = list(show.scenes)
    scenes[2] = replace(scenes[2], frames=frames, tracks=twitches(show, frames, 5))
    lamps = tuple(lamp for lamp in show.lamps if lamp.name != "left")
    scenes = [replace(s, lamps=s.lamps[1:]) for s in scenes]
    return replace(show, scenes=tuple(scenes), lamps=lamps, inputs=())


@pytest.fixture(scope="module")
def long_image() -> tuple[bytes, ShowImage]:
    show = long_show()
    image = build_image(show, 4000)  # all of the storm lies outside, whatever else would fit
    return image, show


def board_with_memory(
    put_on_board, image: bytes, *, filled: bool = True
) -> tuple[EmulatedTransport, Eeprom24]:
    port = put_on_board(image[: inside_bytes(image)])
    board = port.board
    memory = Eeprom24(lambda: board.cycle / F_CPU)
    if filled:
        outside = image[inside_bytes(image) :]
        memory.content[: len(outside)] = outside
    board.i2c.plug(memory)
    return port, memory


def test_the_image_is_larger_than_the_flash_and_says_where_the_rest_is(long_image):
    image, show = long_image
    inside = inside_bytes(image)
    assert len(image) > 32_256 - 19_456 >= inside
    said = read_memory(read_image(image).extras)
    assert said is not None
    assert (said.size, said.crc32) == (len(image) - inside, zlib.crc32(image[inside:]))
    again = replace(read_image(image), extras=())
    assert again == show
    assert Player(image).open() is Fault.OK
    # The same streams, wherever they lie: the player plays both images alike.
    plain, split = Player(build_image(show)), Player(image)
    for player in (plain, split):
        player.open()
        player.play(200)
        player.cue(1, 2, 1)
    one, other = plain.play(1500), split.play(1500)
    np.testing.assert_array_equal(one.pulse_sixteenths, other.pulse_sixteenths)


def test_a_scene_out_of_the_memory_is_played_to_the_sixteenth(put_on_board, long_image, capsys):
    image, show = long_image
    port, _ = board_with_memory(put_on_board, image)
    stage = start_stage(port, image, show)
    stage.run_s(0.3)
    stage.cue("storm")
    bus, worst = port.board.i2c, 0
    for _ in range(60):  # the frame in which the scene begins among them
        before = bus.bytes
        port.board.run(FRAME)
        worst = max(worst, bus.bytes - before)
    stage.run_s(27.0)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), 0)
    assert (core.scene == 2).sum() > 1200
    check_against_core(widths, core)
    status = stage.link.status()
    assert status.late_frames == 0
    assert status.state == State.IDLE
    # memory.c's promise: at most two lines a track in one frame, 12 bytes each on the bus
    assert 12 * 12 <= worst <= 2 * 12 * 12
    with capsys.disabled():
        print(f"\n  memory: {worst} bytes on the bus in the busiest frame, {worst * 22.5e-3:.1f} ms of 20")


# -- the Mega --------------------------------------------------------------------------------------------

CHIP = 0x10000


def play_storm(stage: Stage) -> int:
    """Play it to its end against the core, the line full; the most bytes on the bus in a frame."""
    stage.run_s(0.3)
    stage.cue("storm")
    stage.board.overruns = 0  # nobody listens while the memory is checked at the start
    bus, worst = stage.board.i2c, 0
    for _ in range(stage.show.scenes[2].frames + 80):
        before = bus.bytes
        saturate(stage, 1)
        worst = max(worst, bus.bytes - before)
    drain(stage)
    widths = stage.widths()
    core = core_frames(stage.image, stage, len(widths), 0)
    assert (core.scene == 2).sum() >= stage.show.scenes[2].frames
    check_against_core(widths, core)
    status = stage.link.status()
    assert (status.state, status.late_frames, stage.board.overruns) == (State.IDLE, 0, 0)
    return worst


@pytest.mark.parametrize("kind", ["mega"])
def test_a_mega_plays_as_many_tracks_out_of_the_memory_as_the_bus_takes(put_on_board, kind, capsys):
    show = on_board(made_show(MEGA_SERVO_PINS[:20], seed=3)[0], kind)
    storm = replace(show.scenes[2], tracks=twitches(show, show.scenes[2].frames, 5))
    show = replace(show, scenes=(*show.scenes[:2], storm), inputs=())
    image = build_image(show, 0)  # every track of both scenes lies outside
    outside = read_memory(read_image(image).extras)
    assert outside is not None
    assert outside.size == sum(len(stream or b"") for scene in show.scenes[1:] for stream in scene.tracks)
    busy = busy_ms(read_image(image), 400)
    assert busy * 21 / 20 > MOST_MS >= busy
    port, _ = board_with_memory(put_on_board, image)
    worst = play_storm(start_stage(port, image, show))
    with capsys.disabled():
        print(f"\n  mega's memory: {worst} bytes in the busiest frame, {worst * 22.5e-3:.1f} ms of 20")
    assert 20 * 12 <= worst <= 2 * 20 * 12


@pytest.mark.parametrize("kind", ["mega"])
def test_a_stream_over_the_border_of_two_chips_is_written_and_played_exactly(put_on_board, kind):
    """Only a Mega has two: an Uno's offsets have 16 bits. A chip asked beyond its end begins anew."""
    show = on_board(made_show(PINS[:4], seed=3)[0], kind)
    idle, greet, storm = show.scenes
    streams = twitches(show, storm.frames, 5)
    before = CHIP - len(streams[0]) // 2
    # never played: what follows a stream's last point is read by nobody
    greet = replace(greet, tracks=(greet.tracks[0].ljust(before, b"\0"), None, None, None))
    show = replace(show, scenes=(idle, greet, replace(storm, tracks=streams)), inputs=())
    image = build_image(show, 0)
    outside = image[inside_bytes(image) :]
    assert outside == b"".join((greet.tracks[0], *streams))
    port, first = board_with_memory(put_on_board, image, filled=False)
    second = Eeprom24(lambda: port.board.cycle / F_CPU, 0x51)
    port.board.i2c.plug(second)
    first.content[: CHIP - 32] = outside[: CHIP - 32]
    second.content[32 : len(outside) - CHIP] = outside[CHIP + 32 :]
    port.reset()
    link = Link(port)
    assert link.hello().fault == Fault.BAD_CRC
    for at in range(CHIP - 32, CHIP + 32, 16):
        link.block(at, outside[at : at + 16])
    assert first.content + second.content[: len(outside) - CHIP] == outside
    play_storm(start_stage(port, image, show))


def test_an_empty_memory_is_filled_over_the_link_and_then_plays(put_on_board, long_image):
    image, _ = long_image
    port, memory = board_with_memory(put_on_board, image, filled=False)
    port.reset()
    link = Link(port)
    hello = link.hello()
    assert hello.fault == Fault.BAD_CRC
    assert hello.image_crc == int.from_bytes(image[8:12], "little")
    outside = image[inside_bytes(image) :]
    told: list[tuple[str, int, int]] = []
    send_outside(link, outside, lambda *step: told.append(step))
    assert bytes(memory.content[: len(outside)]) == outside
    assert told[-1][1:] == (-(-len(outside) // 16), -(-len(outside) // 16))
    port.reset()
    link = Link(port)
    assert link.hello().fault == Fault.OK
    link.wait_ready()


@pytest.mark.parametrize("trouble", ["gone", "changed", "stuck"])
def test_a_memory_that_does_not_hold_the_show_leaves_the_outputs_dead(put_on_board, long_image, trouble):
    image, _ = long_image
    port, memory = board_with_memory(put_on_board, image)
    if trouble == "gone":
        port.board.i2c.unplug(memory.address)
    elif trouble == "changed":
        memory.content[1234] ^= 1
    else:
        port.board.drive(SDA, 0)
    port.board.capture(PINS)
    port.reset()
    assert Link(port).hello().fault == Fault.BAD_CRC
    port.board.run_s(2.0)
    assert not port.board.edges


def test_a_memory_pulled_out_mid_scene_ends_the_pulses_and_nothing_stale_is_played(put_on_board, long_image):
    image, show = long_image
    port, memory = board_with_memory(put_on_board, image)
    stage = start_stage(port, image, show)
    stage.run_s(0.3)
    stage.cue("storm")
    stage.run_s(3.0)
    port.board.i2c.unplug(memory.address)
    at = port.board.cycle
    port.board.run_s(0.3)
    status = stage.link.status()
    assert (status.state, status.fault) == (State.FAULT, Fault.LOST_IMAGE)
    assert (max(edge.cycle for edge in port.board.edges) - at) / FRAME < 4
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), 0)
    last = int(np.flatnonzero((widths > 0).all(axis=1))[-1])
    check_against_core(widths[: last + 1], replace(core, pulse_sixteenths=core.pulse_sixteenths[: last + 1]))


def test_the_emulated_chip_writes_as_its_datasheet_says():
    now = [0.0]
    chip = Eeprom24(lambda: now[0])
    assert chip.begin(False)
    for byte in (0x01, 0x7E, 1, 2, 3):
        chip.write(byte)
    chip.end()
    assert not chip.begin(False), "it does not answer during its write cycle"
    now[0] += 0.005
    assert chip.begin(False)
    assert chip.content[0x17E:0x180] == b"\1\2"
    assert chip.content[0x100] == 3, "the address goes round within a page of 128"
    chip.write(0xFF)
    chip.write(0xFF)
    assert chip.begin(True)
    chip.content[0] = 77
    assert [chip.read(), chip.read()] == [0xFF, 77]
    assert len(chip.content) == BYTES


def test_flash_puts_the_rest_into_the_memory_and_has_nothing_to_do_then(fresh_port, long_image):
    image, show = long_image
    board = fresh_port.board
    memory = Eeprom24(lambda: board.cycle / F_CPU)
    board.i2c.plug(memory)
    player = prebuilt_player("uno")
    inside, outside = image[: inside_bytes(image)], image[inside_bytes(image) :]
    content = join(player, image, show)[1]
    assert content.endswith(inside.ljust(-(-len(inside) // 128) * 128, b"\xff"))
    crcs = image_crc32(image), player.crc32
    done = flash_board(fresh_port, content, *crcs, outside=outside)
    assert (done.outcome, done.hello.fault) == ("flashed", 0)
    assert bytes(memory.content[: len(outside)]) == outside
    assert flash_board(fresh_port, content, *crcs, outside=outside).outcome == "nothing to do"
    # one byte lost in the memory: the board says so at its start, and `flash` mends it
    memory.content[77] ^= 0x10
    mended = flash_board(fresh_port, content, *crcs, outside=outside)
    assert (mended.pages_written, mended.hello.fault) == (0, 0)
    board.i2c.unplug(memory.address)
    with pytest.raises(LinkError, match="I2C memory was not filled"):
        flash_board(fresh_port, content, *crcs, outside=outside)


def test_the_virtual_board_has_such_a_memory_and_keeps_it(long_image, tmp_path):
    """Filled over the link by the same upload; nothing of the bus is simulated there."""
    image, show = long_image
    state = tmp_path / "flash"
    player = prebuilt_player("uno")
    content = join(player, image, show)[1]
    outside = image[inside_bytes(image) :]
    port = open_virtual(state)
    result = flash_board(port, content, image_crc32(image), player.crc32, outside=outside)
    assert (result.outcome, result.hello.fault) == ("flashed", 0)
    port.close()
    assert outside_path(state).read_bytes()[: len(outside)] == outside
    link = Link(open_virtual(state))
    assert link.hello().fault == 0
    link.wait_ready()
    cue = link.cue(2)
    assert [step.outcome for step in link.follow(cue, 2)][-1] == "played"
    spoilt = bytearray(outside_path(state).read_bytes())
    spoilt[len(outside) // 2] ^= 1
    outside_path(state).write_bytes(bytes(spoilt))
    assert Link(open_virtual(state)).hello().fault == 3
