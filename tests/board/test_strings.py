"""Addressable strings of the shipped firmware: bit times from pin edges, still pulses, no byte lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.board.frames import Frame
from sequencer.board.messages import catalogue
from sequencer.figure.cross_outputs import most_leds
from sequencer.tables.extra_strings import StringRecord, strings_extra
from sequencer.tables.image import build_image
from tests.board.boards import MEGA_SERVO_PINS, on_board
from tests.board.emulated_show import FRAME, SERVO_PINS, Stage, made_show
from tests.board.inside import dead
from tests.board.test_uno_show import jitter_us

NS = 62.5
#: Datasheet windows in ns, high and low of a 0 and of a 1 (worst of three, from memory: WS2812, WS2812B
#: and SK6812 "data transfer time"; +-150 ns, SK6812's lows +-200). A low may last up to the reset of 50 us.
ZERO_HIGH, ONE_HIGH = (250.0, 450.0), (650.0, 750.0)
ZERO_LOW, ONE_LOW = (700.0, 950.0), (450.0, 600.0)
RESET = 50_000.0


def string_show(kind: str, servos: int, leds: int, strings: int = 1):
    """On a Mega the string's port is L, one of those that lie above the others' addresses."""
    pins = (MEGA_SERVO_PINS if kind == "mega" else SERVO_PINS)[:servos]
    free = [pin for pin in ((47,) if kind == "mega" else (18, 12, 17, 16)) if pin not in pins]
    show = on_board(made_show(pins)[0], kind)
    records = [StringRecord(free[i], leds, (0, 1, 3), (255, 128, 255)) for i in range(strings)]
    extra = strings_extra(records)
    assert extra is not None
    # nothing wavers, so that all frames show the same
    return replace(show, extras=(extra,)), [record.pin for record in records]


def bursts(stage: Stage, pin: int) -> list[list[tuple[float, float]]]:
    """(high, low) in ns of every bit, parted at lows longer than the reset."""
    edges = [edge for edge in stage.board.edges if edge.pin == pin]
    if edges and not edges[0].level:
        edges = edges[1:]
    found: list[list[tuple[float, float]]] = [[]]
    for up, down, after in zip(edges[::2], edges[1::2], [*edges[2::2], None], strict=False):
        low = RESET if after is None else (after.cycle - down.cycle) * NS
        found[-1].append(((down.cycle - up.cycle) * NS, low))
        if low >= RESET:
            found.append([])
    return [burst for burst in found if burst]


def value_of(burst: list[tuple[float, float]]) -> list[int]:
    bits = [int(high > 500) for high, _ in burst]
    return [int("".join(map(str, bits[i : i + 8])), 2) for i in range(0, len(bits), 8)]


def saturate(stage: Stage, frames: int) -> float:
    """Feed the line full for so many frames; the share of it that was heard."""
    board = stage.board
    ask = catalogue().by_name["ask_status"].code
    flood = b"".join(Frame(1 + i % 255, ask, b"").encode().ljust(18, b"\0") for i in range(255))
    begin, fed = board.cycle, 0
    while board.cycle - begin < frames * FRAME:
        if board.unsent < 200:
            board.feed(flood)
            fed += len(flood)
        board.run(FRAME // 20)
        board.take()
    return (fed - board.unsent) * 704 / (board.cycle - begin)


def drain(stage: Stage) -> None:
    """Until the line is quiet again, so that the link can be used."""
    while stage.board.unsent:
        stage.board.run(FRAME)
    stage.board.run(FRAME)
    stage.board.take()


@pytest.mark.parametrize(
    ("kind", "servos", "leds"), [("uno", 11, 20), ("uno", 5, 40), ("mega", 24, 16), ("mega", 5, 40)]
)
def test_bits_keep_the_datasheets_and_pulses_stand_still(stage_of, kind, servos, leds, capsys):
    show, pins = string_show(kind, servos, leds)
    stage = stage_of(build_image(show), show)
    stage.link.hold()
    stage.run_s(3.0)
    board = stage.board
    board.capture(pins)
    board.edges.clear()
    heard = saturate(stage, 40)
    jitter = jitter_us(board, (track.pin for track in show.tracks), 38)
    seen = bursts(stage, pins[0])[1:-1]
    lamp = max(sum(map(sum, burst[i : i + 24])) for burst in seen for i in range(0, 24 * leds - 24, 24)) / NS
    gaps = [low for burst in seen for _, low in burst[:-1]]
    with capsys.disabled():
        print(f"\n  {kind}, {leds} lamps, {servos} servos: jitter {jitter:.4f} us")
        print(f"  {len(seen)} refreshes of 40 frames")
        print(f"  longest low {max(gaps) / 1000:.2f} us, a lamp {lamp:.0f} cycles, line {heard:.1%} busy")
    assert jitter == 0
    assert board.overruns == 0
    assert heard > 0.99
    assert lamp <= 520, "strings.c: LED_CYCLES"
    assert len(seen) >= 36
    assert {len(burst) for burst in seen} == {24 * leds}
    for burst in seen:
        for index, (high, low) in enumerate(burst):
            one = high > 500
            between = (index + 1) % 24 == 0
            on = ONE_HIGH if one else ZERO_HIGH
            assert on[0] <= high <= on[1]
            window = ONE_LOW if one else ZERO_LOW
            assert window[0] <= low
            assert low <= window[1] or (between and low < 6000.0) or index == len(burst) - 1
    # All show the lamps' light at rest: L* 10 %, 0 and 100 % (CIE: 0.0112602, 0, 1), the second halved.
    light = [round(0.0112602 * 255), 0, 255]
    for burst in seen:
        assert np.abs(np.array(value_of(burst)) - light * leds).max() <= 1


#: Pulses of a slot's servos, in us, whose edges part the slot in equal times: the worst for a string.
EQUAL = [("uno", (1136, 2122)), ("mega", (832, 1363, 1895, 2427))]


def beside(stage_of, kind: str, widths: tuple[int, ...], leds: int) -> Stage:
    """A string on D19 beside standing servos, each slot's with these widths."""
    pins = MEGA_SERVO_PINS if kind == "mega" else SERVO_PINS
    show = on_board(made_show(pins[: 6 * len(widths)])[0], kind)
    tracks = tuple(
        replace(track, origin_us=width, rest=0, parked=0)
        for track, width in zip(show.tracks, [width for width in widths for _ in range(6)], strict=True)
    )
    scenes = tuple(replace(scene, tracks=(None,) * len(tracks)) for scene in show.scenes)
    extra = strings_extra([StringRecord(19, leds, (0, 0, 0), (255, 255, 255))])
    assert extra is not None
    show = replace(show, tracks=tracks, scenes=scenes, inputs=(), extras=(extra,))
    stage = stage_of(build_image(show), show)
    stage.run_s(0.1 * len(tracks))  # each of them has its pulses
    stage.board.capture([19])
    return stage


@pytest.mark.parametrize(("kind", "widths"), EQUAL)
def test_as_many_lamps_as_a_figure_may_have_are_written_beside_any_pulses(stage_of, kind, widths):
    """Also while the main loop has the most to do between two looks for a time that is long enough."""
    leds = most_leds(6 * len(widths))
    stage = beside(stage_of, kind, widths, leds)
    saturate(stage, 40)
    whole = [burst for burst in bursts(stage, 19) if len(burst) == 24 * leds]
    assert len(whole) >= 32
    assert jitter_us(stage.board, (track.pin for track in stage.show.tracks), 40) == 0


@pytest.mark.parametrize(
    ("kind", "widths", "leds"), [("uno", (1000, 2000), 36), ("mega", (832, 1363, 1895, 2427), 20)]
)
def test_a_string_that_does_not_fit_beside_the_pulses_waits(stage_of, kind, widths, leds):
    """Uno: 36 lamps need 20 160 cycles at least. With pulses of 1 and 2 ms in a slot of 53 333 none of its
    three parts (up to the first fall, to the second, to the next slot) is longer than 18 533. Mega: 20 need
    10 000 at least, and none of the five parts is longer than 9728.
    """
    stage = beside(stage_of, kind, widths, leds)
    stage.board.run(20 * FRAME)
    assert not [edge for edge in stage.board.edges if edge.pin == 19]
    assert stage.link.status().late_frames == 0


def test_four_strings_take_turns(stage_of):
    show, pins = string_show("uno", 6, 24, 4)
    stage = stage_of(build_image(show), show)
    stage.board.capture(pins)
    stage.run_s(1.0)
    board = stage.board
    board.edges.clear()
    board.run(20 * FRAME)
    for pin in pins:
        assert len(bursts(stage, pin)) >= 18


def test_a_string_is_told_to_be_dark_when_the_board_dies(stage_of, player_facts):
    """Such lamps keep what they were told last."""
    show, pins = string_show("uno", 5, 8)
    image = build_image(show)
    stage = stage_of(image, show)
    stage.link.wait_ready()
    stage.board.capture(pins)
    stage.run_s(0.3)
    assert any(value_of(bursts(stage, pins[0])[-1]))
    stage.board.load(int(str(player_facts["image_base"])) + 22, bytes([image[22] ^ 0x10]))
    stage.run_s(2.0)
    assert dead(stage.board)
    assert value_of(bursts(stage, pins[0])[-1]) == [0] * 3 * 8
