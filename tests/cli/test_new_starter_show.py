"""What ``quarterjack new`` writes is a show that plans without a shortfall."""

from __future__ import annotations

from pathlib import Path

from sequencer.cli.main import run
from sequencer.figure.read import parse_figure
from sequencer.show import plan_show
from sequencer.show_folder import read_show


def test_the_starter_show_plans(tmp_path: Path) -> None:
    assert run(["new", str(tmp_path / "mine")]) == 0
    show = read_show(tmp_path / "mine")
    assert show.policy.idle == "idle"
    assert show.policy.triggers["button"].plays == "hello"
    planned = plan_show(show)
    assert set(planned.timelines) == {"idle", "hello"}
    assert planned.timelines["idle"].loop
    for timeline in planned.timelines.values():
        assert [item.message for item in timeline.shortfalls] == []


def test_the_inputs_it_suggests_can_be_had(tmp_path: Path) -> None:
    assert run(["new", str(tmp_path / "mine")]) == 0
    text = (tmp_path / "mine" / "figure.toml").read_text(encoding="utf-8")
    start, end = text.index("# [inputs.halt]"), text.index("# ---- Poses")
    lines = "\n".join(line.removeprefix("#").strip() for line in text[start:end].splitlines())
    figure = parse_figure((text[:start] + lines + "\n" + text[end:]).encode())
    kinds = {item.name: (item.kind, item.active_low) for item in figure.inputs.values()}
    assert kinds == {"button": ("trigger", True), "halt": ("stop", True), "power": ("rail", False)}
