"""Builds and runs the fuzzers: ``python -m tests.fuzz.fuzzing --runs 10000000`` (``make fuzz``).

Each is the player's core, compiled by clang with libFuzzer and the address and undefined-behaviour
sanitizers, behind a harness beside this file. The corpus is made here from our own images; nothing is
kept. ``image_small`` is the same harness with an Uno's limits and without the closer look at an
image's content, for which a small board has no room.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.fuzz.images import images
from tests.player.building import build_script

HERE: Final = Path(__file__).resolve().parent
APT_LINE: Final = "apt-get install -y --no-install-recommends clang libclang-rt-dev"
SANITIZE: Final = "-fsanitize=fuzzer,address,undefined"
SMALL: Final = (
    *("-DQJ_SMALL_IMAGE", "-DQJ_TRACE=7", "-DQJ_MAX_TRACKS=12", "-DQJ_MAX_LAMPS=4"),
    *("-DQJ_MAX_SWITCHES=8", "-DQJ_MAX_INPUTS=4"),
)
#: The part of an image that lies outside is short, so that its CRC does not take all the time there is.
SHORT: Final = ("-DQJ_OUTSIDE_END=2048u",)
#: Seconds after which one input counts as an endless loop.
ENDLESS_S: Final = 20


@dataclass(frozen=True)
class Fuzzer:
    """One harness: its C file, the flags of its board, the longest input."""

    name: str
    source: str
    flags: tuple[str, ...] = ()
    longest: int = 1280


FUZZERS: Final = (
    Fuzzer("image", "fuzz_image.c"),
    Fuzzer("image_small", "fuzz_image.c", SMALL),
    Fuzzer("link", "fuzz_link.c", (), 512),
)


def build(fuzzer: Fuzzer, folder: Path, show: bytes, core: Path | None = None) -> Path:
    """Compile a harness with the core, or with the one in another folder.

    Raises:
        SystemExit: no clang, no libFuzzer, or an error in the C.
    """
    if shutil.which("clang") is None:
        raise SystemExit(f"clang is missing: {APT_LINE}")
    script = build_script()
    core = core or script.CORE
    sources = [*sorted(core.glob("*.c")), *sorted(script.HOST.glob("*.c"))]
    (folder / "fuzz_show.h").write_text(f"static const uint8_t show[] = {{{', '.join(map(str, show))}}};\n")
    out = folder / f"fuzz_{fuzzer.name}"
    done = subprocess.run(
        [
            *("clang", "-O2", "-g", SANITIZE, "-fno-sanitize-recover=all", *SHORT, *fuzzer.flags),
            *("-I", str(core), "-I", str(script.HOST), "-I", str(folder)),
            *("-o", str(out), str(HERE / fuzzer.source), *map(str, sources)),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        raise SystemExit(f"{done.stderr[-2000:]}\n(packages: {APT_LINE})")
    return out


def seeds(shows: list[bytes]) -> list[bytes]:
    """Inputs to begin from: every image as it is and with a script, and scripts alone for the link."""
    tick, levels, readings, cue, request = 30 << 3, 3, 3 | 1 << 3, 5, 6
    hold, resume, status = (bytes([request, kind, number]) for kind, number in ((3, 9), (4, 10), (5, 11)))
    script = (
        bytes([tick, cue | 2 << 3, 7, 1, tick, levels, 0, 90, tick, cue | 3 << 3, 9, 2, tick, tick])
        + hold
        + bytes([tick, readings, 1, 255])
        + resume
        + bytes([tick])
        + status
    )
    found = [bytes([0, len(script)]) + script + image for image in shows]
    found += [bytes([1, 1, tick]) + image for image in shows]
    found += [bytes([1]) + script * 2, bytes([0]) + script, bytes([255, 6, 1, 1])]
    return found


def run(fuzzer: Fuzzer, program: Path, corpus: Path, runs: int, seed: int = 1) -> tuple[int, float]:
    """Runs done and seconds taken.

    Raises:
        SystemExit: something was found; the input lies beside the program.
    """
    begin = time.monotonic()
    done = subprocess.run(
        [
            *(str(program), f"-runs={runs}", f"-seed={seed}", f"-max_len={fuzzer.longest}"),
            *(
                f"-timeout={ENDLESS_S}",
                "-print_final_stats=1",
                f"-artifact_prefix={program.parent}/{fuzzer.name}-",
            ),
            str(corpus),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    took = time.monotonic() - begin
    units = re.search(r"stat::number_of_executed_units: (\d+)", done.stderr)
    if done.returncode != 0 or units is None:
        raise SystemExit(f"{fuzzer.name}: found something\n{done.stderr[-6000:]}")
    return int(units[1]), took


def main() -> None:
    """Run the named fuzzers (all) for as many runs as asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", choices=[[], *(fuzzer.name for fuzzer in FUZZERS)])
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="build and grow the corpus in this folder")
    asked = parser.parse_args()
    shows = images()
    with tempfile.TemporaryDirectory() as temporary:
        for fuzzer in FUZZERS:
            if asked.names and fuzzer.name not in asked.names:
                continue
            folder = (asked.keep or Path(temporary)) / fuzzer.name
            corpus = folder / "corpus"
            corpus.mkdir(parents=True, exist_ok=True)
            program = build(fuzzer, folder, shows[0])
            for number, content in enumerate(seeds(shows)):
                (corpus / f"seed{number}").write_bytes(content)
            count, took = run(fuzzer, program, corpus, asked.runs, asked.seed)
            print(f"{fuzzer.name:12s} {count} runs clean in {took:.0f} s ({count / took:.0f} a second)")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
