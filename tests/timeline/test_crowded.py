"""Ten thousand cues in a second still make a timeline, and what they miss stays readable."""

from __future__ import annotations

import numpy as np

from tests.timeline.conftest import Build

CUES = 10_000
#: Shortfalls that a channel lists.
LISTED = 200


def test_ten_thousand_cues_in_a_second(build: Build) -> None:
    cues = [f"{i / CUES:.4f}s turn {'left' if i % 2 else 'right'} {i % 30} over 1ms" for i in range(1, CUES)]
    made = build(*cues, "length 0:03")
    wish = made.axes["turn"]
    assert np.isfinite(wish.wish_rad).all()
    assert np.isfinite(wish.asked_rad).all()
    assert wish.wish_rad[0] == wish.wish_rad[-1] == 0.0
    assert len(made.shortfalls) == LISTED
    hidden = [note for note in made.notes if "more" in note]
    assert hidden, "those that are not listed are counted"
