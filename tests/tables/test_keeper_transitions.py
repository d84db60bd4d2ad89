"""The demo's transitions, chosen on the compiled core, judged by FORMAT.md's formulas."""

from __future__ import annotations

import pytest

from sequencer.show import BuiltShow
from sequencer.tables.transitions import LONGEST_FRAMES
from tests.tables.proof_oracle import Oracle, assert_quickest


@pytest.fixture(scope="module")
def oracle(keeper: BuiltShow) -> Oracle:
    return Oracle(keeper.planned.specs, keeper.planned.plans, keeper.contents.scenes)


def test_every_proof_of_the_demo_is_what_the_document_says(keeper: BuiltShow, oracle: Oracle) -> None:
    # settle, park, stop, into idle, and from idle to every scene and to rest
    assert len(keeper.table.proofs) == (5 + len(keeper.contents.scenes)) * len(keeper.contents.tracks)
    for proof in keeper.table.proofs:
        assert proof.worst == oracle.proof(proof.label, proof.track, keeper.table), proof.label


def test_nothing_quicker_is_possible_in_the_demo(keeper: BuiltShow, oracle: Oracle) -> None:
    assert_quickest(oracle, keeper.table, LONGEST_FRAMES)
