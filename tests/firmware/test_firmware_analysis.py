"""What tools that read C without running it say about the firmware: nothing."""

from __future__ import annotations

import runpy
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware_templates"
CORE, AVR, HOST = (FIRMWARE / name for name in ("core", "avr", "host"))
BUILD = runpy.run_path(str(AVR / "build_avr.py"))
CHIPS = {"uno": "__AVR_ATmega328P__", "mega": "__AVR_ATmega2560__"}


def said(command: list[str]) -> str:
    """What a tool complains of."""
    assert shutil.which(command[0]), f"{command[0]} is missing: apt-get install -y {command[0]}"
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def cppcheck(*arguments: str) -> str:
    checks = "--enable=warning,portability,performance,style"
    # Where a variable is declared is a matter of taste; declarations at a function's head are ours.
    taste = "--suppress=variableScope"
    return said(
        ["cppcheck", checks, taste, "--std=c99", "--quiet", "--inline-suppr", f"-I{CORE}", *arguments]
    )


def test_cppcheck_has_nothing_against_the_core() -> None:
    """As the host and WebAssembly build it."""
    assert cppcheck("--platform=unix64", f"-I{HOST}", str(CORE), str(HOST)) == ""


@pytest.mark.parametrize("name", CHIPS)
def test_cppcheck_has_nothing_against_the_board(name: str) -> None:
    """Where int has sixteen bits, with the hardware's own files."""
    defines = [flag for flag in BUILD["TARGETS"][name].flags if flag.startswith("-D")]
    board = ("--platform=avr8", "-D__AVR__", f"-D{CHIPS[name]}", *defines)
    assert cppcheck(*board, f"-I{AVR}", str(CORE), str(AVR)) == ""


def test_cppcheck_would_speak_up(tmp_path: Path) -> None:
    (tmp_path / "bad.c").write_text("int f(int a) { int b[2]; b[2] = a; return b[0] << 40; }\n")
    assert "out of bounds" in cppcheck(str(tmp_path / "bad.c"))


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_no_conversion_goes_unsaid(compiler: str) -> None:
    """Two compilers, each with warnings that the other does not have."""
    files = [str(path) for path in sorted([*CORE.glob("*.c"), *HOST.glob("*.c")])]
    warnings = ("-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Wstrict-prototypes")
    assert (
        said(
            [compiler, "-std=c99", "-pedantic", *warnings, "-fsyntax-only", f"-I{CORE}", f"-I{HOST}", *files]
        )
        == ""
    )


@pytest.mark.parametrize("name", CHIPS)
def test_no_conversion_goes_unsaid_on_the_chip(name: str) -> None:
    """Where int has sixteen bits, other conversions lose something."""
    assert {"-Wall", "-Wextra", "-Wconversion", "-Werror"} <= set(BUILD["FLAGS"])
    files = [str(path) for path in sorted([*CORE.glob("*.c"), *AVR.glob("*.c")])]
    flags = [*BUILD["TARGETS"][name].flags, *(f for f in BUILD["FLAGS"] if f not in ("-flto", "-Werror"))]
    assert said(["avr-gcc", *flags, "-Wsign-conversion", "-Wshadow", "-fsyntax-only", *files]) == ""
