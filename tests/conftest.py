"""The Lantern Keeper, built once for all tests that look at the whole street."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

from sequencer import show, show_folder

# What a contributor pushed must not fail on another day's dice: CI draws the same examples each time,
# a developer's own runs go on looking for new ones.
settings.register_profile("same-each-time", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("same-each-time")


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Tests, and the commands that they start, never look into the user's cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QUARTERJACK_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def keeper() -> show.BuiltShow:
    """The demo show, planned, proven and coded."""
    return show.build_show(show_folder.demo_folder())


@pytest.fixture(scope="session")
def checked_keeper(keeper: show.BuiltShow) -> show.CheckedShow:
    """The demo show, played scene by scene on the core."""
    return show.check_built(keeper)
