from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.player.machine import Machine
from tests.player.building import build_script
from tests.player.host_machine import HostMachine


@pytest.fixture(scope="session")
def host(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Machine]:
    """Makes a machine of the host build."""
    out: Path = tmp_path_factory.mktemp("host") / "libqj.so"
    library = build_script().build_host(out)
    return lambda: HostMachine(library)
