"""Addressable strings of the shipped firmware: bit times from pin edges, still pulses, no byte lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.board.frames import Frame
from sequencer.board.messages import catalogue
from sequencer.tables.extra_strings import StringRecord, strings_extra
from sequencer.tables.image import build_image
from tests.board.emulated_show import FRAME, SERVO_PINS, Stage, made_show
from tests.board.inside import dead
from tests.board.test_uno_show import jitter_us

NS = 62.5
#: Datasheet windows in ns, high and low of a 0 and of a 1 (worst of three, from memory: WS2812, WS2812B
#: and SK6812 "data transfer time"; +-150 ns, SK6812's lows +-200). A low may last up to the reset of 50 us.
ZERO_HIGH, ONE_HIGH = (250.0, 450.0), (650.0, 750.0)
ZERO_LOW, ONE_LOW = (700.0, 950.0), (450.0, 600.0)
RESET = 50_000.0


def string_show(servos: int, leds: int, strings: int = 1):
    pins = SERVO_PINS[:servos]
    free = [pin for pin in (18, 12, 17, 16) if pin not in pins]
    show, _ = made_show(pins)
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


@pytest.mark.parametrize(("servos", "leds"), [(11, 20), (5, 40)])
def test_bits_keep_the_datasheets_and_pulses_stand_still(stage_of, servos, leds, capsys):
    show, pins = string_show(servos, leds)
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
        print(
            f"\n  {leds} lamps, {servos} servos: jitter {jitter:.4f} us, {len(seen)} refreshes of 40 frames"
        )
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


def test_a_string_that_does_not_fit_beside_the_pulses_waits(stage_of):
    """36 lamps need 20 160 cycles at least. With pulses of 1 and 2 ms in a slot of 53 333 none of its three
    parts (up to the first fall, to the second, to the next slot) is longer than 18 533.
    """
    show, _ = made_show(SERVO_PINS)
    tracks = tuple(
        replace(track, origin_us=width, ends_us=(width, width))
        for track, width in zip(show.tracks, [1000] * 6 + [2000] * 6, strict=True)
    )
    extra = strings_extra([StringRecord(19, 36, (0, 0, 0), (255, 255, 255))])
    assert extra is not None
    show = replace(show, tracks=tracks, inputs=(), extras=(extra,))
    stage = stage_of(build_image(show), show)
    stage.run_s(1.0)
    stage.board.capture([19])
    stage.board.run(20 * FRAME)
    assert not [edge for edge in stage.board.edges if edge.pin == 19]
    assert stage.link.status().late_frames == 0


def test_four_strings_take_turns(stage_of):
    show, pins = string_show(6, 24, 4)
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
    show, pins = string_show(5, 8)
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
