"""Extras 1 and 2, what plays without a host and what a stop does: there and back, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from sequencer.errors import ImageError
from sequencer.tables.extra_policy import (
    CHOICES,
    LONGEST_LIST,
    LONGEST_WINDOW_S,
    DutyContent,
    PolicyContent,
    SceneList,
    policy_extra,
    read_policy_extra,
    slot_s,
)
from sequencer.tables.extra_stopping import StoppingContent, TrackStopping, read_stopping, stopping_extra

SCENES = 20
U16 = st.integers(0, 0xFFFF)
PAIRS = st.lists(
    st.tuples(st.integers(0, SCENES - 1), st.integers(1, 255)), min_size=1, max_size=LONGEST_LIST
)
LISTS = st.one_of(
    st.just(SceneList()),
    st.builds(
        lambda choice, pairs: SceneList(choice, tuple(a for a, _ in pairs), tuple(b for _, b in pairs)),
        st.sampled_from(CHOICES),
        PAIRS,
    ),
)
POLICIES = st.builds(
    PolicyContent,
    U16,
    st.none() | st.builds(DutyContent, st.integers(1, 255), U16, U16),
    st.lists(LISTS, min_size=1, max_size=9).map(tuple),
)
TRACKS = st.lists(st.builds(TrackStopping, st.booleans(), st.booleans(), st.booleans()), max_size=32)
STOPS = st.builds(
    StoppingContent, st.integers(1, 80).map(lambda n: 6 * n), st.integers(0, 0xFFF0), TRACKS.map(tuple)
)


@given(POLICIES)
def test_a_policy_comes_back_as_it_was(content: PolicyContent) -> None:
    extra = policy_extra(content)
    if extra is None:
        assert content == PolicyContent(0, None, (SceneList(),) * len(content.lists))
        return
    assert extra.tag == 1
    assert read_policy_extra(extra.content, len(content.lists) - 1, SCENES) == content


@given(POLICIES, st.integers(0, 200))
def test_a_policy_cut_short_or_grown_is_refused(content: PolicyContent, at: int) -> None:
    extra = policy_extra(content)
    assume(extra is not None)
    assert extra is not None
    for data in (extra.content[: at % len(extra.content)], extra.content + b"\0"):
        with pytest.raises(ImageError, match="policy cannot be read"):
            read_policy_extra(data, len(content.lists) - 1, SCENES)


@given(st.binary(max_size=60), st.integers(0, 8))
def test_any_bytes_are_a_policy_or_refused(data: bytes, inputs: int) -> None:
    try:
        content = read_policy_extra(data, inputs, SCENES)
    except ImageError:
        return
    assert len(content.lists) == inputs + 1
    assert all(scene < SCENES for item in content.lists for scene in item.scenes)
    assert all(item.beside and min(item.beside) > 0 for item in content.lists if item.scenes)


@pytest.mark.parametrize(
    "content",
    [
        PolicyContent(0x10000, None, (SceneList(),)),
        PolicyContent(1, DutyContent(1, 0x10000, 1), (SceneList(),)),
        PolicyContent(1, None, (SceneList("order", (0,), (0,)),)),
        PolicyContent(1, None, (SceneList("order", (0,), (256,)),)),
        PolicyContent(1, None, (SceneList("order", (0,) * 9, (1,) * 9),)),
        PolicyContent(1, None, (SceneList("order", (0, 1), (1,)),)),
    ],
)
def test_a_policy_that_its_fields_do_not_hold_is_not_written(content: PolicyContent) -> None:
    with pytest.raises(ValueError, match=r"."):
        policy_extra(content)


@given(st.integers(1, LONGEST_WINDOW_S))
def test_seven_slots_hold_the_window_that_was_asked_for_and_not_a_slot_more(within_s: int) -> None:
    slot = slot_s(within_s)
    assert 7 * slot >= within_s > 7 * (slot - 1)
    assert slot <= 255


@given(STOPS)
def test_stopping_comes_back_as_it_was(content: StoppingContent) -> None:
    extra = stopping_extra(content)
    assert extra.tag == 2
    assert read_stopping(extra.content, len(content.tracks)) == content


@given(STOPS, st.integers(0, 40))
def test_stopping_for_another_number_of_tracks_is_refused(content: StoppingContent, tracks: int) -> None:
    assume(tracks != len(content.tracks))
    with pytest.raises(ImageError, match="stopping table"):
        read_stopping(stopping_extra(content).content, tracks)


def test_stopping_flags_that_no_player_knows_are_refused() -> None:
    with pytest.raises(ImageError, match="stopping table"):
        read_stopping(bytes([30, 0, 0, 0, 8]), 1)


@pytest.mark.parametrize(("park", "after"), [(0, 0), (7, 0), (-6, 0), (6 * 20000, 0), (30, -1), (30, 0xFFFF)])
def test_stopping_times_that_no_clock_holds_are_not_written(park: int, after: int) -> None:
    with pytest.raises(ValueError, match="frames"):
        stopping_extra(StoppingContent(park, after, ()))
