"""A show with all that the table of states is about: every kind of input, tracks that stop differently."""

from __future__ import annotations

import struct

from tests.player.oracle import NONE, Input, Scene, Show, Track

TRIGGER, STOP, RAIL = 0, 1, 2
#: Levels of the input pins (all active when low): nobody there, not pressed, powered.
CALM = 0b011
PRESSED = 0b001
UNPOWERED = 0b111
CROSSED = 0b010
PARKS, BALANCED, SILENT = 1, 2, 4
PARK_FRAMES, RELEASE_AFTER = 36, 120

#: How to come into each state: (what to ask and frames to play), and frames that the answer may take.
INTO: dict[str, tuple[tuple[str | int, ...], int]] = {
    "boot": ((10,), 12),
    "boot, at its end": ((25,), 12),
    "settle, standing": ((31,), 12),
    "settle, moving": ((60,), 80),
    "idle, entering": ((110,), 80),
    "idle": ((300,), 12),
    "idle, changing loops": ((470,), 100),
    "scene, entering": ((300, "cue", 8), 90),
    "scene": ((300, "cue", 90), 12),
    "hold, stopping": ((300, "hold", 20), 0),
    "hold, parking": ((300, "hold", 70), 0),
    "hold": ((300, "hold", 150), 0),
}


def policy(
    lists: list[tuple[int, list[tuple[int, int]]]], seed: int = 0, duty: tuple[int, int, int] = (0, 0, 0)
) -> bytes:
    """Extra 1: of each list how it chooses, and its pairs."""
    out = struct.pack("<HBHH", seed, *duty)
    for how, pairs in lists:
        out += bytes([how, len(pairs)]) + b"".join(bytes(pair) for pair in pairs)
    return out


def stopping(*flags: int) -> bytes:
    """Extra 2."""
    return struct.pack("<HH", PARK_FRAMES, RELEASE_AFTER) + bytes(flags)


def stopping_show(board: int = 1) -> Show:
    """Track 0 moves and parks, track 1 moves and is held, track 2 never moves in idle and may fall silent."""
    wave = [0, 90, 180, 90, 0, -90, -180, -90, 0, 60]
    ends = [0, 0, 0]
    bow = [*ends, 200, 400, 500, 420, 250, 120, 50, 20, 0, -40, -60, -70, -60, -40, -20, -10, 0, *ends]
    looped = Scene(frames=60, loop=True, points=[wave, wave, None], fade_in=48)
    other = Scene(frames=60, loop=True, points=[wave[::-1], None, None], fade_in=48)
    scene = Scene(frames=120, loop=False, points=[bow, bow, bow])
    return Show(
        tracks=[
            Track(6, parked=-300, pin=7),
            Track(6, parked=240, origin_us=1400, pin=8),
            Track(6, parked=0, pin=9),
        ],
        scenes=[looped, scene, other],
        idle=0,
        stagger=4,
        boot=25,
        settle=48,
        stop=30,
        inputs=[Input(1), Input(NONE, kind=2), Input(NONE, kind=3)],
        extras={
            1: policy([(2, [(0, 6), (2, 6)]), (0, []), (0, []), (0, [])]),
            2: stopping(PARKS, 0, BALANCED | SILENT),
        },
        board=board,
    )
