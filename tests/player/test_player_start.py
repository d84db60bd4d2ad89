"""A player that starts where the last pulses before a reset sent its tracks."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.player.player import Fault, Player
from tests.player import oracle


def show(exponent: int) -> oracle.Show:
    track = oracle.Track(3, exponent=exponent, parked=40, ends=(900, 2100))
    return oracle.Show([track], [], settle=30, boot=1)


@settings(max_examples=200, deadline=None)
@given(exponent=st.integers(2, 5), pulse=st.one_of(st.just(0), st.integers(900 * 16, 2100 * 16)))
def test_the_first_pulse_is_the_last_one(exponent: int, pulse: int) -> None:
    """Within an LSB; from there settling goes to rest."""
    player = Player(oracle.write(show(exponent)))
    assert player.open() == Fault.OK
    player.start_from([pulse])
    played = player.play(60).pulse_sixteenths[:, 0]
    first = int(played[np.flatnonzero(played)[0]])
    lsb = 16 * 2.0**-exponent
    assert abs(first - (pulse or 16 * 1500 + 40 * lsb)) <= max(lsb, 1)
    assert abs(int(played[-1]) - 16 * 1500) <= 1
