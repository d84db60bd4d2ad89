"""Proofs remembered track by track give the table that the whole image gives, and ask for less."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from sequencer.kept import Kept
from sequencer.player.player import Player
from sequencer.show import BuiltShow
from sequencer.tables.image import build_image
from sequencer.tables.model import ShowImage
from sequencer.tables.proven import KeptProver
from sequencer.tables.reading import read_image
from sequencer.tables.rice import encode_track
from sequencer.tables.transitions import TransitionTable, choose_transitions


class Opened:
    """Opens players and remembers which tracks they were opened for."""

    def __init__(self) -> None:
        self.tracks: list[tuple[str, ...]] = []

    def __call__(self, show: ShowImage) -> Player:
        player = Player(build_image(show))
        assert not player.open()
        self.tracks.append(tuple(track.name for track in show.tracks))
        return player


def table_of(keeper: BuiltShow, show: ShowImage, prover: object) -> TransitionTable:
    return choose_transitions(
        prover,  # type: ignore[arg-type]
        keeper.planned.specs,
        show.scenes,
        keeper.planned.tracks.pairs,
    )


def whole(keeper: BuiltShow, show: ShowImage) -> TransitionTable:
    return table_of(keeper, show, Opened()(show))


def with_turn_nudged(keeper: BuiltShow) -> ShowImage:
    """The keeper whose turn is one LSB elsewhere at one knot in the middle of a scene."""
    show = keeper.contents
    plan = keeper.planned.plans["greet"]["turn"]
    points = plan.points.copy()
    moving = np.flatnonzero(np.diff(points))
    points[moving[len(moving) // 2]] += 1
    place = [track.name for track in show.tracks].index("turn")
    scenes = []
    for scene in show.scenes:
        tracks = list(scene.tracks)
        if scene.name == "greet":
            tracks[place] = encode_track(points, plan.spec.rest, False)
        scenes.append(replace(scene, tracks=tuple(tracks)))
    return replace(show, scenes=tuple(scenes))


def test_the_table_and_its_proofs_are_those_of_the_whole_image(keeper: BuiltShow) -> None:
    show, kept = keeper.contents, Kept()
    assert table_of(keeper, show, KeptProver(show, Opened(), kept)) == whole(keeper, show)
    again = Opened()
    assert table_of(keeper, show, KeptProver(show, again, kept)) == whole(keeper, show)
    assert again.tracks == []


def test_after_an_edit_only_its_track_is_proven_again(keeper: BuiltShow) -> None:
    kept = Kept()
    table_of(keeper, keeper.contents, KeptProver(keeper.contents, Opened(), kept))
    changed = with_turn_nudged(keeper)
    opened = Opened()
    found = table_of(keeper, changed, KeptProver(changed, opened, kept))
    assert found == whole(keeper, changed)
    # Candidates that some track refused at once say nothing of the others; those are few.
    assert ("turn",) in opened.tracks


def test_bounds_and_faces_are_part_of_the_question(keeper: BuiltShow) -> None:
    show, kept = keeper.contents, Kept()
    (pair,) = keeper.planned.tracks.pairs.values()
    order = [track.name for track in show.tracks]
    one, other = (order.index(name) for name in pair.tracks)
    faces = [(one, other, face.a, face.b, face.limit, face.inner) for face in pair.faces]
    tight = [(*face[:4], face[4] - 100_000, face[5] - 100_000) for face in faces]

    def answers(watched: Sequence[Sequence[int]]) -> list[object]:
        prover, plain = KeptProver(show, Opened(), kept), Opened()(show)
        for each in (prover, plain):
            each.watch_faces(watched)
        found = [
            [
                each.prove_settling(48),
                each.prove_stopping(0, 24),
                each.prove_entering(show.number("idle"), 24),
                each.prove_leaving(show.number("idle"), 255, 48, 0, 0),
                each.prove_leaving(show.number("idle"), show.number("greet"), 48, 24),
            ]
            for each in (prover, plain)
        ]
        assert found[0] == found[1]
        return list(found[0])

    answers(faces)
    answers(tight)
    answers(faces[:3])


@pytest.mark.parametrize("early_first", [True, False])
def test_an_early_refusal_is_not_taken_for_an_answer(keeper: BuiltShow, early_first: bool) -> None:
    """Frames so few that the player stops at once: the full answer must still be the full one."""
    show = keeper.contents
    prover, plain = KeptProver(show, Opened(), Kept()), Opened()(show)
    idle = show.number("idle")
    for early in (early_first, not early_first):
        mine = prover.prove_leaving(idle, 255, 6, 0, 0, stop_early=early)
        if not early:
            assert mine == plain.prove_leaving(idle, 255, 6, 0, 0)
        specs = list(keeper.planned.specs.values())
        assert not all(worst.within(spec) for worst, spec in zip(mine, specs, strict=True))


def test_the_image_reads_back_as_what_was_proven(keeper: BuiltShow) -> None:
    assert read_image(build_image(keeper.contents)) == keeper.contents
