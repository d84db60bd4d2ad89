"""Build everything that ships prebuilt: ``python firmware_templates/build.py all``, or what is named.

The same inputs and compiler versions give the same bytes: no paths, no dates. A user of the package
needs none of this; ``make firmware`` runs it, and the compilers' versions stand beside their outputs.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.metadata
import importlib.util
import json
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jinja2

ROOT = Path(__file__).resolve().parent.parent
CORE = ROOT / "firmware_templates" / "core"
HOST = ROOT / "firmware_templates" / "host"
MESSAGES = ROOT / "sequencer" / "board" / "messages.toml"
WASM = ROOT / "sequencer" / "player" / "data" / "player.wasm"
STATES = CORE / "states.toml"
STATES_PAGE = ROOT / "sequencer" / "tables" / "STATES.md"
FIELD_BYTES = {"u8": 1, "u16": 2, "u32": 4, "char16": 16, "i16s": 0}
WARNINGS = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror")


def render_messages() -> str:
    """``qj_messages.h`` as text, from ``messages.toml`` and the template beside it."""
    table = tomllib.loads(MESSAGES.read_text(encoding="utf-8"))
    messages = [
        {
            **message,
            "length": sum(FIELD_BYTES[kind] for _, kind in message["fields"]),
            "spelled": ", ".join(f"{name} {kind}" for name, kind in message["fields"]),
        }
        for message in table["message"]
    ]

    def longest(to: str) -> int:
        return max(
            message["length"] + 2 * message.get("most", 0) for message in messages if message["to"] == to
        )

    to_board = {message["type"]: message for message in messages if message["to"] == "board"}

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(CORE),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    text = environment.get_template("qj_messages.h.j2").render(
        protocol=table["protocol"],
        baud=table["baud"],
        messages=messages,
        lengths=[
            "0xFF"
            if at not in to_board
            else f"{to_board[at]['length'] | (0x80 if to_board[at].get('most') else 0)}"
            for at in range(max(to_board) + 1)
        ],
        longest_to_board=longest("board"),
        longest_to_host=longest("host"),
    )
    return text


def write_messages() -> Path:
    """Render ``qj_messages.h`` into the core."""
    out = CORE / "qj_messages.h"
    out.write_text(render_messages(), encoding="utf-8")
    return out


def states_table() -> dict[str, Any]:
    """``states.toml`` with "any" spelled out: states, events, actions and ``rows`` (all of them texts).

    Raises:
        SystemExit: a name that is not declared, or two rows for one event in one state.
    """
    table = tomllib.loads(STATES.read_text(encoding="utf-8"))
    rows = []
    for row in table["transition"]:
        every = [state for state in table["states"] if state != "fault"]
        for state in every if row["state"] == "any" else [row["state"]]:
            one = {**row, "state": state, "next": row["next"]}
            rows.append(one)
            if not (
                {one["state"], one["next"]} <= set(table["states"])
                and one["event"] in table["events"]
                and one["action"] in table["actions"]
            ):
                raise SystemExit(f"{STATES.name}: {one} names what is not declared")
    keys = [(row["state"], row["event"]) for row in rows]
    if len(set(keys)) != len(keys) or max(map(len, (table["events"], table["actions"]))) > 16:
        raise SystemExit(f"{STATES.name}: two rows for one event in one state, or more than 16 of a kind")
    return {**table, "rows": rows}


def render_states() -> dict[Path, str]:
    """What is made of ``states.toml``: the C table, its numbers, and the documentation's page."""
    table = states_table()
    number = {
        kind: {name: i for i, name in enumerate(table[kind])} for kind in ("states", "events", "actions")
    }
    head = "/* Rendered from states.toml by firmware_templates/build.py: change that, not this. */\n"
    lines = [head, '#ifndef QJ_STATES_H\n#define QJ_STATES_H\n\n#include "qj_core.h"\n\nenum qj_event {\n']
    for kind, prefix, following in (("events", "ON", "enum qj_action {\n"), ("actions", "DO", "")):
        for name, what in table[kind].items():
            lines.append(f"  QJ_{prefix}_{name.upper()} = {number[kind][name]}, /* {what} */\n")
        lines.append(f"}};\n\n{following}")
    lines.append(
        "/* Two bytes a row: state and event, next state and action; the first in the upper half. */\n"
    )
    lines.append(f"#define QJ_TRANSITIONS {len(table['rows'])}\n")
    lines.append("extern const uint8_t qj_transitions[2 * QJ_TRANSITIONS];\n\n#endif\n")
    data = [head, '#include "qj_states.h"\n\nconst uint8_t qj_transitions[2 * QJ_TRANSITIONS] QJ_TABLE = {\n']
    for row in table["rows"]:
        one = number["states"][row["state"]] << 4 | number["events"][row["event"]]
        two = number["states"][row["next"]] << 4 | number["actions"][row["action"]]
        told = f"{row['state']}, {row['event']} -> {row['next']}, {row['action']}"
        data.append(f"    {one:#04x}, {two:#04x}, /* {told} */\n")
    data.append("};\n")
    return {
        CORE / "qj_states.h": "".join(lines),
        CORE / "qj_states.c": "".join(data),
        STATES_PAGE: _states_page(table),
    }


def _states_page(table: dict[str, Any]) -> str:
    """The table for people: a diagram, every transition, what events and actions mean."""
    arrows: dict[tuple[str, str], list[str]] = {}
    for row in table["rows"]:
        arrows.setdefault((row["state"], row["next"]), []).append(row["event"])
    parts = [
        "# The player's states\n\n",
        "Rendered from `firmware_templates/core/states.toml`, whose table the player runs on.\n",
        "An event that has no row in the state where it comes means nothing there.\n\n",
        "```mermaid\nstateDiagram-v2\n    [*] --> boot\n",
        *(f"    {one} --> {two}: {', '.join(events)}\n" for (one, two), events in arrows.items()),
        "```\n\n| state | event | next | action | |\n|---|---|---|---|---|\n",
        *(
            f"| {row['state']} | {row['event']} | {row['next']} | {row['action']} | {row['words']} |\n"
            for row in table["rows"]
        ),
    ]
    for kind, title in (("events", "An event comes when"), ("actions", "What an action does")):
        parts.append(f"\n| {kind[:-1]} | {title} |\n|---|---|\n")
        parts += [f"| {name} | {what} |\n" for name, what in table[kind].items()]
    return "".join(parts)


def write_states() -> list[Path]:
    """Render what :func:`render_states` names."""
    texts = render_states()
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8", newline="\n")
    return list(texts)


def core_sources() -> list[Path]:
    """The C files of the core that every build shares."""
    return sorted(CORE.glob("*.c"))


def host_sources() -> list[Path]:
    """The core, and what only the host and WebAssembly builds have: the prover and the exports."""
    return [*core_sources(), *sorted(HOST.glob("*.c"))]


def run(command: list[str], cwd: Path = ROOT) -> str:
    """Run a compiler; its own words are the error message."""
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(command)}\n{done.stdout}{done.stderr}")
    return done.stdout


def relative(paths: list[Path]) -> list[str]:
    """Paths as seen from the root, so that no local path reaches a compiler's output."""
    return [path.relative_to(ROOT).as_posix() for path in paths]


def build_wasm(out: Path = WASM) -> Path:
    """Compile the core to a WebAssembly module without imports; write its record beside it."""
    out.parent.mkdir(parents=True, exist_ok=True)
    command = [
        *(sys.executable, "-m", "ziglang", "cc", "-target", "wasm32-freestanding"),
        *("-O2", "-g0", "-s", "-nostdlib", "-ffreestanding", "-fno-builtin", *WARNINGS),
        *("-I", relative([CORE])[0], "-I", relative([HOST])[0]),
        *("-Wl,--no-entry", "-Wl,--strip-all", "-Wl,-z,stack-size=65536"),
        *("-o", str(out), *relative(host_sources())),
    ]
    run(command)
    record = {
        "compiler": f"ziglang {importlib.metadata.version('ziglang')}",
        "bytes": out.stat().st_size,
        "sha256": hashlib.sha256(out.read_bytes()).hexdigest(),
    }
    (out.parent / "player_wasm.json").write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    return out


def host_compiler() -> list[str]:
    """The system's C compiler; without one, zig's (in the dev extra)."""
    found = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    return [found] if found else [sys.executable, "-m", "ziglang", "cc"]


def build_host(
    out: Path, sanitize: bool = False, driver: Path | None = None, cc: list[str] | None = None
) -> Path:
    """Compile the core for this machine: a shared library, or with ``driver`` (a C file) a program.

    ``sanitize`` adds the address and undefined-behaviour sanitizers (zig has no address sanitizer).
    """
    compiler = host_compiler() if cc is None else cc
    out.parent.mkdir(parents=True, exist_ok=True)
    kind = ["-shared", "-fPIC"] if driver is None else [str(driver)]
    checks = []
    if sanitize:
        which = "undefined" if "ziglang" in compiler else "address,undefined"
        checks = [f"-fsanitize={which}", "-fno-sanitize-recover=all", "-g"]
    run(
        [
            *(*compiler, "-O1" if sanitize else "-O2", *WARNINGS, *checks),
            *("-I", relative([CORE])[0], "-I", relative([HOST])[0]),
            *("-o", str(out), *kind, *relative(host_sources())),
        ]
    )
    return out


def build_avr(target: str) -> None:
    """Build the AVR boards' firmware: ``uno``, ``mega`` or ``all``."""
    script = ROOT / "firmware_templates" / "avr" / "build_avr.py"
    spec = importlib.util.spec_from_file_location("build_avr", script)
    if spec is None or spec.loader is None or not script.exists():
        raise SystemExit(f"{script.relative_to(ROOT)} is missing")
    module = importlib.util.module_from_spec(spec)
    sys.modules["build_avr"] = module
    spec.loader.exec_module(module)
    module.main([target])


def main(argv: list[str] | None = None) -> None:
    """Build what is named; ``all`` is what ``make firmware`` runs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("messages", "states", "wasm", "host", "uno", "mega", "all"))
    parser.add_argument("--out", type=Path, default=None, help="output of wasm or host")
    parser.add_argument("--sanitize", action="store_true", help="host: with sanitizers")
    asked = parser.parse_args(argv)
    if asked.what in ("messages", "all"):
        print(f"{relative([write_messages()])[0]}")
    if asked.what in ("states", "all"):
        print("\n".join(relative(write_states())))
    if asked.what in ("wasm", "all"):
        out = build_wasm(asked.out or WASM)
        print(f"{out.name}: {out.stat().st_size} bytes, {hashlib.sha256(out.read_bytes()).hexdigest()}")
    if asked.what == "host":
        print(build_host(asked.out or ROOT / "build" / "libqj.so", asked.sanitize))
    if asked.what in ("uno", "mega", "all"):
        build_avr(asked.what)


if __name__ == "__main__":
    main()
