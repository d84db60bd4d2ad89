"""No counter comes round with a surprise, after 49.7 days or any other time.

2^32 ms are 49.7 days, 2^16 frames 22 minutes. Nothing counts in milliseconds; one clock counts frames, and is
crossed here. A player whose whole state but that is the same again after a loop does it for ever.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from sequencer.board.frames import Frame, FrameDecoder
from sequencer.board.messages import Message, Value, catalogue, decode_body, encode_body
from sequencer.player.machine import Machine
from sequencer.player.player import Fault, Player, Snapshot, State
from sequencer.show import BuiltShow
from tests.fuzz.images import images
from tests.player import oracle
from tests.player.oracle import Show
from tests.player.shows import shows

Host = Callable[[], Machine]
quiet = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def until(player: Player, state: State, frames: int = 6000) -> None:
    for _ in range(frames):
        if player.play(1).state[0] == state:
            return
    raise AssertionError(f"never in {state.name}")


def unmoved(player: Player) -> bytes:
    """The whole state without the clock."""
    state = bytearray(player.snapshot().state)
    state[player.clock_bytes] = b""
    return bytes(state)


def test_idling_comes_back_to_the_same_state(host: Host, keeper: BuiltShow) -> None:
    """Every byte, at the end of each turn of the loop."""
    player = Player(keeper.image, machine=host)
    assert player.open() == Fault.OK
    idle = next(scene for scene in keeper.contents.scenes if scene.name == keeper.contents.idle)
    player.play(3 * idle.frames)
    first = unmoved(player)
    for _ in range(3):
        player.play(idle.frames)
        assert unmoved(player) == first


def test_holding_is_standing_still(host: Host, keeper: BuiltShow) -> None:
    player = Player(keeper.image, machine=host)
    assert player.open() == Fault.OK
    player.play(500)
    player.hold()
    player.play(200)
    phases = {}
    for _ in range(12):
        played = player.play(1)
        phases.setdefault(int(played.phase[0]), set()).add(unmoved(player))
    assert len(phases) == 6
    assert all(len(states) == 1 for states in phases.values())


@quiet
@given(show=shows(wide=True))
def test_a_loop_is_the_same_after_more_frames_than_sixteen_bits_count(host: Host, show: Show) -> None:
    player = Player(oracle.write(show), machine=host)
    assert player.open() == Fault.OK
    before = player.play(4096)
    assume(before.state[-1] == State.IDLE and before.scene[-1] != oracle.NONE)
    period = show.scenes[show.idle].frames
    whole = 4096 - 4096 % period
    for _ in range(2**16 // whole + 1):
        player.play(whole)
    after = player.play(period)
    # a switch that its longest time turns off in a later turn of the loop has a period of its own
    fields = ("pulse_sixteenths", "lamp_duty", "frame") + (() if any(show.max_on) else ("switches",))
    for field in fields:
        np.testing.assert_array_equal(
            getattr(after, field), getattr(before, field)[-period:][: len(after.state)]
        )


def asked(player: Player, name: str, seq: int, **fields: Value) -> Message:
    """The board's answer to one request."""
    kind = catalogue().by_name[name]
    player.receive(Frame(seq, kind.code, encode_body(kind, fields)).encode())
    for frame in FrameDecoder().feed(player.transmit()):
        if frame.seq == seq:
            answer = catalogue().by_code[frame.code]
            return Message(answer.name, seq, decode_body(answer, frame.body))
    raise AssertionError(f"{name} was not answered")


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(before=st.integers(1, 190))
def test_the_clock_comes_round_in_the_middle_of_live_control(host: Host, before: int) -> None:
    """A board that has run for 2^32 frames less a few (994 days), beside one that was just switched on.

    The clock comes round while the board idles, enters live control, moves, or stands: every answer and every
    pulse is the same, and the told time is the other one's, modulo 2^32.
    """
    image = images()[0]
    young, old = Player(image, machine=host), Player(image, machine=host)
    for player in (young, old):
        assert player.boot(image, 0) == Fault.OK
        player.transmit()
        player.play(60)
    state = old.snapshot().state
    at = old.clock_bytes
    began = int.from_bytes(state[at], "little")
    end = 2**32 - before
    old.restore(Snapshot(state[: at.start] + end.to_bytes(4, "little") + state[at.stop :]))
    seq = 0

    def both(name: str, **fields: Value) -> Message:
        nonlocal seq
        seq += 1
        one, other = asked(young, name, seq, **fields), asked(old, name, seq, **fields)
        if name == "ask_telemetry":
            told = [message.number("clock") for message in (one, other)]
            assert (told[1] - told[0]) % 2**32 == (end - began) % 2**32
        else:
            assert one == other
        return one

    def play(frames: int) -> None:
        one, other = young.play(frames), old.play(frames)
        np.testing.assert_array_equal(one.pulse_sixteenths, other.pulse_sixteenths)
        np.testing.assert_array_equal(one.state, other.state)

    boot = asked(young, "ask_hello", 200).number("boot")
    assert asked(old, "ask_hello", 200).number("boot") == boot
    assert both("cue", cue=7, scene=254, repeats=1, boot=boot).number("result") == 0
    taken = 0
    for turn in range(24):
        both("ask_telemetry")
        status = both("ask_status")
        if status.number("scene") == 254:
            point = 10 * turn
            answer = both("live", track=0, at=status.number("frame") // 2 + 2, points=(point, point, point))
            taken += answer.number("result") == 0
        play(6)
    assert taken >= 8
    play(120)
    both("ask_telemetry")
