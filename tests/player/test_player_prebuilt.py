"""What ships prebuilt is what its sources say."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from sequencer.player.wasm import wasm_bytes
from tests.player.building import ROOT, build_script

DATA = ROOT / "sequencer" / "player" / "data"


def test_the_record_describes_the_module() -> None:
    record = json.loads((DATA / "player_wasm.json").read_text(encoding="utf-8"))
    assert record["sha256"] == hashlib.sha256(wasm_bytes()).hexdigest()
    assert record["bytes"] == len(wasm_bytes())


def test_the_module_imports_nothing_and_names_no_place() -> None:
    import wasmtime

    module = wasmtime.Module(wasmtime.Engine(), wasm_bytes())
    assert list(module.imports) == []
    assert str(ROOT).encode() not in wasm_bytes()


def test_messages_are_rendered_from_their_table() -> None:
    committed = (ROOT / "firmware_templates" / "core" / "qj_messages.h").read_text(encoding="utf-8")
    assert build_script().render_messages() == committed


def test_the_module_is_rebuilt_byte_for_byte(tmp_path: Path) -> None:
    rebuilt = build_script().build_wasm(tmp_path / "player.wasm")
    record = json.loads((tmp_path / "player_wasm.json").read_text(encoding="utf-8"))
    shipped = json.loads((DATA / "player_wasm.json").read_text(encoding="utf-8"))
    assert record["compiler"] == shipped["compiler"], "another compiler: install the dev extra's"
    assert rebuilt.read_bytes() == wasm_bytes()
