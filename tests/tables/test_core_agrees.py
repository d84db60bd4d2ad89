"""The compiled core reads the images built here, and plays what was planned."""

from __future__ import annotations

import functools
import zlib
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sequencer.errors import ImageError
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.player.player import Fault, Player
from sequencer.tables.assemble import with_table
from sequencer.tables.image import build_image, read_image
from sequencer.tables.model import ShowImage, Transition
from sequencer.tables.transitions import TransitionTable
from sequencer.tables.worst import Worst, joined
from tests.tables import fade_oracle
from tests.tables.proof_oracle import Oracle
from tests.tables.show_makers import chosen, looking_scene, moving_show, shows, spec, swaying_loop

Plans = dict[str, dict[str, TrackPlan]]


@functools.cache
def player() -> Player:
    return Player()


def reopened(show: ShowImage) -> Player:
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
    core = reopened(moving_show({"turn": track}, {"s": {"turn": plan}}, {"s": frames}, ()))
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


LOOPS = ("idle", "doze")
Made = tuple[dict[str, TrackSpec], Plans, TransitionTable, ShowImage]


@pytest.fixture(scope="module")
def show() -> Made:
    specs, plans, frames = lively()
    provisional = moving_show(specs, plans, frames, LOOPS)
    table = chosen(specs, provisional)
    return specs, plans, table, with_table(provisional, table)


def oracle_of(made: Made) -> Oracle:
    return Oracle(made[0], made[1], made[3].scenes)


def test_every_proof_is_what_the_document_says(show: Made) -> None:
    specs, plans, table, _ = show
    oracle = oracle_of(show)
    ways = {f"{loop}->{to}" for loop in LOOPS for to in (*plans, "rest")}
    labels = {"settle", "stop", "park", *(f"rest->{loop}" for loop in LOOPS), *ways}
    assert {(p.label, p.track) for p in table.proofs} == {(way, name) for way in labels for name in specs}
    for proof in table.proofs:
        assert proof.worst == oracle.proof(proof.label, proof.track, table), (proof.label, proof.track)


@pytest.mark.parametrize("fade", [6, 30, 96])
@pytest.mark.parametrize("delay", [0, 6, 42])
def test_any_candidate_is_worth_the_same_in_the_core(show: Made, fade: int, delay: int) -> None:
    specs, plans, table, image = show
    core, oracle = reopened(image), oracle_of(show)
    for number, scene in enumerate(plans):
        in_frames = table.fade_in.get(scene, 0)
        answer = core.prove_leaving(0, number, fade, delay, in_frames)
        early = core.prove_leaving(0, number, fade, delay, in_frames, stop_early=True)
        for worst, name in zip(answer, specs, strict=True):
            assert worst == oracle.leaving("idle", scene, name, Transition(fade, delay), in_frames)
        check_early(answer, early, specs)


def check_early(full: Sequence[Worst], early: Sequence[Worst], specs: dict[str, TrackSpec]) -> None:
    """Stopping early refuses exactly what a full run refuses, and tells no more than it."""
    kept = all(worst.within(spec) for worst, spec in zip(full, specs.values(), strict=True))
    assert kept == all(worst.within(spec) for worst, spec in zip(early, specs.values(), strict=True))
    if kept:
        assert early == full
    for part, worst in zip(early, full, strict=True):
        assert joined([part, worst]) == worst


@pytest.mark.parametrize("frames", [6, 12, 30, 60, 120, 300])
def test_an_early_answer_refuses_what_a_full_one_does(show: Made, frames: int) -> None:
    specs, plans, _, image = show
    core = reopened(image)
    check_early(core.prove_settling(frames), core.prove_settling(frames, stop_early=True), specs)
    for number, scene in enumerate(plans):
        full, early = (
            core.prove_stopping(number, frames),
            core.prove_stopping(number, frames, stop_early=True),
        )
        check_early(full, early, specs)
        if scene in LOOPS:
            full = core.prove_entering(number, frames)
            check_early(full, core.prove_entering(number, frames, stop_early=True), specs)


def test_a_cue_from_the_loop_plays_the_points_of_the_formula(show: Made) -> None:
    specs, plans, table, image = show
    core = reopened(replace(image, idle="idle"))
    until_idle(core)
    core.play(200)
    core.cue(7, 1, 1)
    played = core.play(300)
    begun = next(h.frame for h in played.happened if h.scene == 1)
    item = table.rows["idle"]["greet"]
    rows = {
        name: fade_oracle.leaving(plans["idle"][name], plans["greet"][name], *_times(item), 0)
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
    reopened(show)


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
