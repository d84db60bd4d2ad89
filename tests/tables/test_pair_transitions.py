"""Transitions that keep a pair in its polygon: two motions inside it may add up to one outside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.errors import PlanError
from sequencer.motion.model import PairFace, PairSpec, TrackPlan, TrackSpec
from sequencer.motion.polygon import certify_pair
from sequencer.tables.crossed import pairs_with_transitions
from sequencer.tables.model import ShowImage, Transition
from sequencer.tables.transitions import choose_transitions
from tests.tables.show_makers import looking_scene, moving_show, opened, spec, swaying_loop

FRAMES = {"idle": 600, "greet": 120}
LEFT, RIGHT = spec("left", bounds=(900, 300, 200), pin=7), spec("right", bounds=(900, 300, 200), pin=8)
#: What makes every fade long, so that idle is still there while greet goes out.
TURN = spec("turn", bounds=(400, 60, 10), pin=4)
SPECS: dict[str, TrackSpec] = {"left": LEFT, "right": RIGHT, "turn": TURN}
#: A diamond about rest that each scene alone nearly fills.
PAIR = PairSpec("neck", ("left", "right"), tuple(PairFace(a, b, 1350) for a in (-1, 1) for b in (-1, 1)))


def plans() -> dict[str, dict[str, TrackPlan]]:
    return {
        "idle": {
            "left": swaying_loop(LEFT, 600, 900, 2),
            "right": swaying_loop(RIGHT, 600, 400, 2),
            "turn": swaying_loop(TURN, 600, 3000, 1),
        },
        "greet": {"left": looking_scene(LEFT, 120, 850), "right": looking_scene(RIGHT, 120, 450)},
    }


@pytest.fixture(scope="module")
def show() -> ShowImage:
    return moving_show(SPECS, plans(), FRAMES)


def test_the_polygon_makes_transitions_longer_and_is_kept(show: ShowImage) -> None:
    free = choose_transitions(opened(show), SPECS, show.scenes)
    kept = choose_transitions(opened(show), SPECS, show.scenes, {"neck": PAIR})
    before, after = free.rows["idle"]["greet"], kept.rows["idle"]["greet"]
    assert (after.delay_frames, after.fade_frames) > (before.delay_frames, before.fade_frames)

    player = opened(show)
    player.watch_faces([(0, 1, f.a, f.b, f.limit, f.inner) for f in PAIR.faces])

    def worst(item: Transition) -> int:
        answer = player.prove_leaving(0, 1, item.fade_frames, item.delay_frames, 0)
        return max(face.high for face in answer[3:])

    assert worst(before) > PAIR.faces[0].inner >= worst(after)
    labels = {proof.label for proof in kept.pair_proofs}
    assert labels == {proof.label for proof in kept.proofs}
    assert {"settle", "stop", "rest->idle", "idle->greet", "idle->rest"} <= labels
    for proof in kept.pair_proofs:
        for face, quantity in zip(PAIR.faces, proof.certificate.faces, strict=True):
            assert quantity.max <= quantity.bound == face.limit
            assert quantity.max <= face.inner or proof.label in ("settle", "park")


def test_the_certificate_is_the_worst_of_scenes_and_transitions(show: ShowImage) -> None:
    table = choose_transitions(opened(show), SPECS, show.scenes, {"neck": PAIR})
    every = plans()
    scenes = {
        name: certify_pair(
            PAIR, (LEFT, RIGHT), [every[name][t].points for t in PAIR.tracks], scene=name, loop=name == "idle"
        )
        for name in every
    }
    merged = pairs_with_transitions({"neck": scenes["greet"]}, table.pair_proofs)["neck"]
    for at, quantity in enumerate(merged.faces):
        known = [p.certificate.faces[at].max for p in table.pair_proofs]
        assert quantity.max == max([*known, scenes["greet"].faces[at].max])
    assert pairs_with_transitions({}, table.pair_proofs)["neck"].spec == PAIR


def test_played_whole_no_pair_leaves_the_polygon(show: ShowImage) -> None:
    """Idle, a cue at an awkward moment, back to idle, and a hold: from what the player really plays."""
    from sequencer.tables.assemble import with_table
    from tests.tables.show_makers import opened as fresh

    table = choose_transitions(opened(show), SPECS, show.scenes, {"neck": PAIR})
    player = fresh(with_table(replace(show, idle="idle"), table))
    for wait in (601, 733, 850):
        player.play(wait)
        player.cue(1, 1, 1)
        player.play(360)
    player.hold()
    player.play(120)
    player.resume()
    windows = player.play(900).window.astype(np.int64)
    for face in PAIR.faces:
        assert (face.a * windows[:, 0] + face.b * windows[:, 1]).max() <= face.limit


def test_a_polygon_that_no_transition_keeps_is_told_in_words(show: ShowImage) -> None:
    narrow = replace(PAIR, faces=(PairFace(1, 1, 1250),))
    with pytest.raises(PlanError, match="keeps neck inside") as caught:
        choose_transitions(opened(show), SPECS, show.scenes, {"neck": narrow})
    assert caught.value.faults[0].remedy
