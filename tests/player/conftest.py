from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.player.machine import Machine
from tests.player.building import COMPILER, build_script
from tests.player.host_machine import HostMachine


@pytest.fixture(scope="session")
def host(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Machine]:
    """Makes a machine of the host build; without a C compiler its tests are skipped and say so."""
    if COMPILER is None:
        pytest.skip("no C compiler on this machine")
    out: Path = tmp_path_factory.mktemp("host") / "libqj.so"
    library = build_script().build_host(out, cc=COMPILER)
    return lambda: HostMachine(library)
