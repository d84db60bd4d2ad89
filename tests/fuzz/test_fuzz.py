"""A short run of each fuzzer; ``make fuzz RUNS=10000000`` is the long one."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.fuzz.fuzzing import FUZZERS, Fuzzer, build, run, seeds
from tests.fuzz.images import images
from tests.player.building import build_script

RUNS = 8_000


@pytest.mark.parametrize("fuzzer", FUZZERS, ids=[fuzzer.name for fuzzer in FUZZERS])
def test_a_short_run_finds_nothing(fuzzer: Fuzzer, tmp_path: Path) -> None:
    shows = images()
    program = build(fuzzer, tmp_path, shows[0])
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    for number, content in enumerate(seeds(shows)):
        (corpus / str(number)).write_bytes(content)
    done, _ = run(fuzzer, program, corpus, RUNS)
    assert done >= RUNS
    assert len(list(corpus.iterdir())) > 2 * len(seeds(shows)), "the fuzzer found no new way through the core"


def test_a_missing_check_is_found(tmp_path: Path) -> None:
    """The same run, with the receive buffer's limit one byte too far: clean runs do say something."""
    core = shutil.copytree(build_script().CORE, tmp_path / "core")
    link = core / "qj_link.c"
    text = link.read_text()
    assert text.count("l->count < QJ_LINK_RECEIVE") == 1
    link.write_text(text.replace("l->count < QJ_LINK_RECEIVE", "l->count <= QJ_LINK_RECEIVE"))
    fuzzer = FUZZERS[-1]
    shows = images()
    program = build(fuzzer, tmp_path, shows[0], core)
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    for number, content in enumerate(seeds(shows)):
        (corpus / str(number)).write_bytes(content)
    with pytest.raises(SystemExit, match=r"out of bounds|overflow"):
        run(fuzzer, program, corpus, RUNS)
