"""What ``quarterjack new`` writes is a show that plans without a shortfall."""

from __future__ import annotations

from pathlib import Path

from sequencer.cli.main import run
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
