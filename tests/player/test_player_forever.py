"""Nothing in the player counts without end, so no counter comes round after 49.7 days or any other time.

2^32 ms are 49.7 days, 2^16 frames 22 minutes. A player whose whole state is the same again after a loop does
for ever what it did in that loop.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from hypothesis import HealthCheck, assume, given, settings

from sequencer.player.machine import Machine
from sequencer.player.player import Fault, Player, State
from sequencer.show import BuiltShow
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
