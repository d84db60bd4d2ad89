"""``figure --with``: two builds side by side, every check on the changed one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sequencer.cli.main import run
from sequencer.errors import FigureError, UsageError
from sequencer.figure.compare import Row, changed_figure, compared, rows, with_changes
from sequencer.figure.read import read_figure
from sequencer.timeline.fastest import fastest_s


@pytest.fixture
def show(tmp_path: Path, good_text: str) -> Path:
    (tmp_path / "figure.toml").write_text(good_text, encoding="utf-8")
    return tmp_path


def _rows(show: Path, *changes: str) -> dict[tuple[str, str], Row]:
    before, after = compared(show, read_figure(show), changes)
    return {(row.about, row.what): row for row in rows(before, after, fastest_s)}


def test_a_heavier_head_is_worse_where_it_hangs_and_nowhere_else(show: Path) -> None:
    table = _rows(show, "masses.head.weight_g=900")
    assert table["nod", "torque margin"].better is False
    assert table["nod", "winding, worst pose held"].better is False
    assert table["turn", "torque margin"].better is None
    assert table["supply", "all servos stalled"].before == "5.0 A"


def test_another_class_keeps_how_the_servo_is_built_in(show: Path) -> None:
    before, after = read_figure(show).servos["nod"], changed_figure(show, ["servos.nod=digital_metal"])
    servo = after.servos["nod"]
    assert servo.class_name == "digital_metal"
    assert servo.stall_torque_n_m == pytest.approx(20 * 0.0980665)
    assert (servo.pin, servo.centre_us, servo.reversed, servo.pulse_us) == (
        *(before.pin, before.centre_us, before.reversed, before.pulse_us),
    )
    table = _rows(show, "servos.nod=digital_metal")
    assert table["nod", "torque margin"].better is True
    assert table["nod", "quickest 30 degrees"].better in (True, None)
    weak = _rows(show, "servos.nod=micro_metal")
    assert weak["nod", "torque margin"].better is False


def test_several_changes_count_together(show: Path) -> None:
    table = _rows(show, "masses.head.weight_g=4000", "servos.nod=micro")
    assert table["nod", "quickest 30 degrees"].after == "never"
    assert table["supply", "all servos stalled"].better is True


def test_the_document_itself_stays_as_it_was() -> None:
    document = {"masses": {"head": {"weight_g": 500}}}
    assert with_changes(document, ["masses.head.weight_g = 900"]) == {"masses": {"head": {"weight_g": 900}}}
    assert document == {"masses": {"head": {"weight_g": 500}}}
    assert with_changes(document, ["masses.head.basis=measured"])["masses"]["head"]["basis"] == "measured"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("masses.haed.weight_g=900", "did you mean masses.head?"),
        ("servos.nodd=micro", "did you mean nod?"),
        ("servos.nod=micor", "did you mean micro?"),
        ("masses.head.weight_g", "KEY=VALUE"),
        ("=3", "KEY=VALUE"),
        ("masses..weight_g=3", "KEY=VALUE"),
        ("masses.head=3", "is a table"),
        ("name.x=3", "no name"),
    ],
)
def test_a_change_that_names_nothing_is_refused(show: Path, change: str, says: str) -> None:
    with pytest.raises(UsageError, match="--with") as caught:
        changed_figure(show, [change])
    assert says in str(caught.value)
    assert caught.value.faults[0].remedy


@pytest.mark.parametrize(
    "change", ["masses.head.weight_g=-4", "axes.nod.range_deg=[-170,170]", "masses.head.colour=red"]
)
def test_the_changed_figure_is_checked_like_a_file(show: Path, change: str) -> None:
    with pytest.raises(FigureError) as caught:
        changed_figure(show, [change])
    assert f"with {change}" in str(caught.value)
    assert caught.value.faults[0].line is None


def test_the_command_shows_both_and_answers_with_the_changed_one(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["figure", str(show), "--with", "masses.head.weight_g=900"]) == 0
    said = capsys.readouterr().out
    assert "what if masses.head.weight_g=900" in said
    assert "worse" in said
    assert "New with the change:" in said
    assert run(["figure", str(show), "--with", "masses.head.weight_g=4000", "--json"]) == 1
    data = json.loads(capsys.readouterr().out)
    assert set(data) == {"schema", "changes", "before", "after"}
    assert data["after"]["servos"]["nod"]["torque_margin"] < data["before"]["servos"]["nod"]["torque_margin"]
    assert run(["figure", str(show), "--with", "masses.head"]) == 2
    assert (show / "figure.toml").read_text(encoding="utf-8").count("weight_g = 500") == 1
