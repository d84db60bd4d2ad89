"""The Lantern Keeper, built once for all tests that look at the whole street."""

from __future__ import annotations

import pytest

from sequencer import show


@pytest.fixture(scope="session")
def keeper() -> show.BuiltShow:
    """The demo show, planned, proven and coded."""
    return show.build_show(show.demo_folder())


@pytest.fixture(scope="session")
def checked_keeper(keeper: show.BuiltShow) -> show.CheckedShow:
    """The demo show, played scene by scene on the core."""
    return show.check_built(keeper)
