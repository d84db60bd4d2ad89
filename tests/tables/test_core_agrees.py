"""The compiled core reads the images built here, and plays what was planned."""

from __future__ import annotations

import functools
import zlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sequencer.errors import ImageError, PlanError
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.player.player import Fault, Player
from sequencer.tables import fades
from sequencer.tables.image import build_image, read_image
from sequencer.tables.model import SceneRecord, ShowImage, TrackRecord, Transition
from sequencer.tables.rice import encode_track
from sequencer.tables.transitions import TransitionTable, choose_transitions, confirm_transitions
from tests.tables.show_makers import looking_scene, shows, spec, swaying_loop

Plans = dict[str, dict[str, TrackPlan]]


def show_of(
    specs: dict[str, TrackSpec], plans: Plans, frames: dict[str, int], table: TransitionTable
) -> ShowImage:
    loops = set(table.rows)
    scenes = []
    for name, tracks in plans.items():
        streams = tuple(
            encode_track(tracks[t].points, specs[t].rest, tracks[t].loop) if t in tracks else None
            for t in specs
        )
        scenes.append(
            SceneRecord(name, frames[name], name in loops, table.fade_in.get(name, 0), streams, (), ())
        )
    return ShowImage(
        figure="test",
        board="uno",
        frame_us=20_000,
        settle_frames=table.settle_frames,
        stop_frames=table.stop_frames,
        stagger_frames=0,
        boot_frames=0,
        tracks=tuple(
            TrackRecord(
                *(s.name, s.pin, s.knot_frames, s.lsb_exponent, s.origin_us, s.rest, s.parked),
                *(s.low, s.high, s.bounds, (1, 4000)),
            )
            for s in specs.values()
        ),
        lamps=(),
        switches=(),
        inputs=(),
        scenes=tuple(scenes),
        idle=None,
        transitions=tuple(tuple(table.rows[s][to] for to in (*plans, None)) for s in plans if s in loops),
    )


@functools.cache
def player() -> Player:
    return Player()


def opened(show: ShowImage) -> Player:
    core = player()
    core._load(build_image(show))
    assert core.open() is Fault.OK
    return core


def until_idle(core: Player) -> None:
    for _ in range(100):
        if core.play(6).state[-1] == 2:
            return
    raise AssertionError("the player does not become idle")


def new_points(core: Player, track: int, knot: int, scene: int, frames: int) -> NDArray[np.int64]:
    """Cue a scene from rest and collect the point that each knot brings into the window."""
    core.cue(1, scene, 1)
    played = core.play(frames + 12)
    begun = int(np.flatnonzero(played.scene == scene)[0])
    return played.window[begun : begun + frames : knot, track, 3].astype(np.int64)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([1, 2, 3, 6]),
    st.integers(1, 6),
    st.lists(st.integers(-3000, 3000) | st.integers(-20, 20), min_size=200, max_size=200),
    st.integers(-200, 200),
)
def test_the_core_decodes_what_was_encoded(knot: int, commons: int, values: list[int], rest: int) -> None:
    frames = 6 * commons
    track = spec(knot_frames=knot, bounds=(32767, 32767, 32767), low=-7000, high=7000, rest=rest, parked=rest)
    spans = frames // knot
    inner = values[: max(0, spans - 3)]
    points = np.array([rest] * 3 + inner + [rest] * 3)[: spans + 3]
    plan = TrackPlan(track, "s", False, points, 0.0, 0)
    table = TransitionTable(6, 6, {}, {}, ())
    core = opened(show_of({"turn": track}, {"s": {"turn": plan}}, {"s": frames}, table))
    until_idle(core)
    got = new_points(core, 0, knot, 0, frames)
    want = [int(points[i + 3]) if i + 3 < len(points) else rest for i in range(spans)]
    assert list(got) == want


def lively() -> tuple[dict[str, TrackSpec], Plans, dict[str, int]]:
    turn = spec("turn", bounds=(200, 40, 20), rest=30, parked=-50)
    jaw = spec("jaw", knot_frames=1, bounds=(60, 12, 8), low=-200, high=1200, pin=8)
    nod = spec("nod", knot_frames=6, bounds=(400, 200, 120), rest=-20, pin=9)
    plans = {
        "idle": {"turn": swaying_loop(turn, 600, 400, 5), "jaw": swaying_loop(jaw, 600, 40, 4)},
        "greet": {
            "turn": looking_scene(turn, 240, 600),
            "jaw": looking_scene(jaw, 240, 400),
            "nod": looking_scene(nod, 240, -700),
        },
        "doze": {"turn": swaying_loop(turn, 360, 100, 1, "doze"), "nod": swaying_loop(nod, 360, 300, 1)},
        "wink": {"jaw": looking_scene(jaw, 30, 30)},
    }
    return {"turn": turn, "jaw": jaw, "nod": nod}, plans, {"idle": 600, "greet": 240, "doze": 360, "wink": 30}


@pytest.fixture(scope="module")
def show() -> tuple[dict[str, TrackSpec], Plans, TransitionTable, ShowImage]:
    specs, plans, frames = lively()
    table = choose_transitions(specs, plans)
    return specs, plans, table, show_of(specs, plans, frames, table)


def test_the_core_proves_every_transition_alike(show) -> None:
    specs, plans, table, image = show
    confirm_transitions(opened(image), specs, list(plans), table)


def test_a_core_that_plays_otherwise_is_noticed(show) -> None:
    specs, plans, table, image = show
    other = replace(table.proofs[-1], worst=replace(table.proofs[-1].worst, d3=0))
    wrong = replace(table, proofs=(*table.proofs[:-1], other))
    with pytest.raises(PlanError, match="otherwise than planned"):
        confirm_transitions(opened(image), specs, list(plans), wrong)


@pytest.mark.parametrize("fade", [6, 30, 96])
@pytest.mark.parametrize("delay", [0, 6, 42])
def test_any_candidate_is_worth_the_same_in_the_core(show, fade: int, delay: int) -> None:
    specs, plans, table, image = show
    core = opened(image)
    for number, scene in enumerate(plans):
        in_frames = table.fade_in.get(scene, 0)
        answer = core.prove_leaving(0, number, fade, delay, in_frames)
        for worst, name in zip(answer, specs, strict=True):
            if name in plans["idle"] and name in plans[scene]:
                left, entered = plans["idle"][name], plans[scene][name]
                assert worst == fades.worst(fades.leaving(left, entered, fade, delay, in_frames))


def test_a_cue_from_the_loop_plays_the_points_of_the_formula(show) -> None:
    specs, plans, table, image = show
    core = opened(replace(image, idle="idle"))
    until_idle(core)
    core.play(200)
    core.cue(7, 1, 1)
    played = core.play(300)
    begun = next(h.frame for h in played.happened if h.scene == 1)
    item = table.rows["idle"]["greet"]
    rows = {
        name: fades.leaving(plans["idle"][name], plans["greet"][name], *_times(item), 0)
        for name in ("turn", "jaw")
    }
    matches = []
    for row in range(100):
        if all(
            np.array_equal(
                played.window[begun : begun + 120 : specs[name].knot_frames, t, 3][: rows[name].shape[1] - 3],
                rows[name][row, 3 : 3 + 120 // specs[name].knot_frames],
            )
            for t, name in enumerate(("turn", "jaw"))
        ):
            matches.append(row)
    assert len(matches) == 1


def _times(item: Transition) -> tuple[int, int]:
    return item.fade_frames, item.delay_frames


@settings(max_examples=40, deadline=None)
@given(shows())
def test_the_core_opens_every_image(show: ShowImage) -> None:
    opened(show)


@settings(max_examples=80, deadline=None)
@given(shows(), st.data())
def test_what_is_read_here_is_opened_there(show: ShowImage, data: st.DataObject) -> None:
    image = bytearray(build_image(show))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(12, min(len(image) - 1, 400)))
        image[at] = data.draw(st.integers(0, 255))
    image[8:12] = zlib.crc32(image[12:]).to_bytes(4, "little")
    try:
        read_image(bytes(image))
    except ImageError:
        return
    core = player()
    core._load(bytes(image))
    assert core.open() is Fault.OK
