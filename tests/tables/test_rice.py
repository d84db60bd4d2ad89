import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.tables import rice
from tests.tables.stream_oracle import decode_track

POINT = st.integers(-32768, 32767)


@settings(max_examples=150, deadline=None)
@given(st.lists(POINT, max_size=80), POINT)
def test_a_loop_comes_back_whole(points: list[int], rest: int) -> None:
    stream = rice.encode_track(np.array(points, dtype=np.int64), rest, loop=True)
    assert decode_track(stream, len(points), rest) == points


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(-60, 60), max_size=80), st.integers(-3000, 3000))
def test_a_scene_stores_only_what_is_not_rest_by_rule(steps: list[int], rest: int) -> None:
    inner = [rest + int(v) for v in np.cumsum(steps)]
    points = np.array([rest] * 3 + inner + [rest] * 3, dtype=np.int64)
    stream = rice.encode_track(points, rest, loop=False)
    assert decode_track(stream, len(inner), rest) == inner


def test_jumps_across_the_whole_range_use_the_plain_form_and_survive() -> None:
    points = [0, 1, 0, 32767, -32768, 32767, 5, 5, 5, -32768]
    stream = rice.encode_track(np.array(points, dtype=np.int64), 0, loop=True)
    assert decode_track(stream, len(points), 0) == points


@pytest.mark.parametrize("seed", range(5))
def test_order_and_start_are_the_best_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = np.round(np.cumsum(np.cumsum(rng.normal(size=60) * 10.0**seed / 100))).astype(np.int64)
    chosen = len(rice.encode_track(points, 0, loop=True))
    every = [
        1 + -(-rice._bits(rice.mapped_differences(points, 0, order), start) // 8)
        for order in (1, 2, 3)
        for start in range(rice.LARGEST_START + 1)
    ]
    assert chosen == min(every)


def test_a_scene_that_does_not_rest_is_refused() -> None:
    with pytest.raises(ValueError, match="equal points at rest"):
        rice.encode_track(np.array([0, 0, 0, 5, 9, 9, 8]), 0, loop=False)
    with pytest.raises(ValueError, match="rest value 3"):
        rice.encode_track(np.array([0, 0, 0, 5, 0, 0, 0]), 3, loop=False)
    with pytest.raises(ValueError, match="16 bits"):
        rice.encode_track(np.array([0, 40000]), 0, loop=True)


def test_a_track_at_rest_takes_a_bit_a_point() -> None:
    stream = rice.encode_track(np.zeros(800, dtype=np.int64), 0, loop=True)
    assert len(stream) <= 102
