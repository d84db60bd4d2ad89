"""The sheet's sentences, its JSON, findings about the machine, and ``quarterjack figure`` and ``new``."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

from sequencer.cli.main import run
from sequencer.cli.new import FILES, write_starter
from sequencer.errors import UsageError
from sequencer.figure.current import draw
from sequencer.figure.facts import facts
from sequencer.figure.judge import all_physics, findings
from sequencer.figure.limits import outer_limits
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure, read_figure
from sequencer.figure.report import as_json, without_minus_zero
from sequencer.figure.sheet import sheet
from sequencer.finding import CODES
from sequencer.timeline.fastest import fastest_s
from tests.figure.head_on_rods import head_on_rods

FIGURE_KEYS = {"schema", "figure", "axes", "servos", "supply", "findings"}
FINDING_KEYS = {
    *("code", "severity", "scene", "channel", "time_s", "value", "limit", "unit", "message", "remedy"),
}


def _text(figure: Figure, detail: bool = False, extra: tuple[str, ...] = ()) -> str:
    sections = sheet(facts(figure), fastest_s, detail, extra)
    return "\n".join(line for section in sections for line in (section.title, *section.lines))


def _changed(text: str, old: str, new: str) -> Figure:
    assert old in text
    return parse_figure(text.replace(old, new).encode())


def test_page_one_answers_in_this_order(bust: Figure) -> None:
    titles = [section.title for section in sheet(facts(bust), fastest_s)]
    assert titles == [
        "bust: 2 servos, 1 lamp, 1 switch, 1 input on an Uno",
        "Will it carry?",
        "How fast?",
        "Will it cook?",
        "Which supply and fuse?",
        "What to change first",
        "Cautions",
        "Not measured",
    ]


def test_page_one_says_what_matters(bust: Figure) -> None:
    text = _text(bust, extra=("The longest transition takes 1.2 s.",))
    assert "nod: yes. It moves 500 g" in text
    assert "from up 20 to down 25 in " in text
    assert "The longest transition takes 1.2 s." in text
    assert "draw 5.0 A" in text
    assert "Fuse" in text
    assert "servo `nod` has no recorded ends" in text
    assert (
        "servo turn: speed x 0.65 and torque x 0.65 of the print (typical); stall current 2.5 A (typical)"
        in text
    )
    assert "common practice" in text
    assert "Limits and where each comes from" not in text


CAUTIONS = (
    *("pinch", "falls", "hot", "own supply", "common ground", "licensed", "photosensitive"),
    *("software stop is not one", "Local codes", "horn screws"),
)


@pytest.mark.parametrize("words", CAUTIONS)
def test_cautions_stand_on_page_one(bust: Figure, words: str) -> None:
    assert words in _text(bust)


def test_detail_has_every_pin_and_every_reason(bust: Figure) -> None:
    text = _text(bust, detail=True)
    for pin in ("D2", "D5", "D7", "D8", "A0"):
        assert f" {pin}  " in text
    for name in bust.axes:
        assert f"{name}: velocity" in text
        assert f"{name}: acceleration" in text
        assert f"{name}: jerk" in text
    assert "nod: from up 20 to down 25, home 0, parked down 10" in text


def test_json_has_exactly_the_keys_of_the_contract(bust: Figure) -> None:
    data = json.loads(json.dumps(as_json(facts(bust)), allow_nan=False))
    assert set(data) == FIGURE_KEYS
    assert data["schema"] == 1
    assert set(data["axes"]) == {"turn", "nod"}
    axis = data["axes"]["nod"]
    assert set(axis) == {"inertia_kg_m2", "gravity_torque_n_m", "limit", "limited_by"}
    assert set(axis["limit"]) == {"velocity_deg_s", "acceleration_deg_s2", "jerk_deg_s3"}
    assert set(axis["limited_by"]) == {"velocity", "acceleration", "jerk"}
    assert set(data["servos"]["turn"]) == {"stall_torque_n_m", "no_load_speed_deg_s", "torque_margin"}
    assert data["servos"]["turn"]["no_load_speed_deg_s"] == pytest.approx(352.941, abs=5e-4)
    assert data["servos"]["turn"]["stall_torque_n_m"] == pytest.approx(1.27486, abs=5e-6)
    assert set(data["supply"]) == {"peak_a", "average_a", "rating_a"}
    assert all(set(finding) == FINDING_KEYS for finding in data["findings"])
    assert {finding["code"] for finding in data["findings"]} <= set(CODES)


def test_peak_is_the_sum_of_stall_currents(bust: Figure) -> None:
    amps = draw(bust, all_physics(bust))
    assert amps.peak_a == 5.0
    assert amps.average_a < amps.peak_a
    assert amps.fuse_a is not None
    assert amps.average_a < amps.fuse_a <= amps.rating_a


def test_too_heavy_is_said_once(good_text: str) -> None:
    """A load over a third is told as such; that it also warms, and the same remedy, is not told again."""
    found = findings(_changed(good_text, "weight_g = 500", "weight_g = 1000"))
    assert [item.code for item in found if item.channel == "nod" and item.code in ("torque", "heat")] == [
        "torque"
    ]


@pytest.mark.parametrize(
    ("old", "new", "code", "severity", "channel"),
    [
        ("weight_g = 500", "weight_g = 4000", "torque", "error", "nod"),
        ("weight_g = 500", "weight_g = 1300", "torque", "warning", "nod"),
        ("weight_g = 500", "weight_g = 850", "heat", "note", "nod"),
        ("rating_a = 8.0", "rating_a = 4.0", "supply", "warning", None),
        ("rating_a = 8.0", "rating_a = 0.3", "supply", "error", None),
        ("voltage_v = 6.0", "voltage_v = 7.4", "supply", "warning", "turn"),
        ("voltage_v = 6.0", "voltage_v = 8.4", "supply", "error", "turn"),
        ("ambient_c = 25", "ambient_c = 60", "heat", "warning", None),
        ("rest_percent = 20", "current_ma = 300", "supply", "error", "eye"),
        ("rest_percent = 20", "current_ma = 30", "supply", "warning", "eye"),
        ("rest_percent = 20", "current_ma = 32\nforward_v = 3.2", "supply", "warning", "eye"),
        ("rating_a = 8.0", "rating_a = 8.0\nfuse_a = 10", "supply", "warning", None),
        ("rating_a = 8.0", "rating_a = 8.0\nfuse_a = 0.5", "supply", "warning", None),
        ("rating_a = 8.0", "rating_a = 8.0\nfuse_a = 7.5\nwire_awg = 22", "supply", "warning", None),
        ("rating_a = 8.0", "rating_a = 8.0\nwire_awg = 22\nwire_m = 2", "supply", "warning", None),
        ("[poses.look]", "[openings.mouth]\ngap_mm = 18\n[poses.look]", "gap", "warning", "mouth"),
        ("ends_us = [700, 2300]", "", "range", "note", "turn"),
    ],
)
def test_findings(good_text: str, old: str, new: str, code: str, severity: str, channel: str | None) -> None:
    before = findings(parse_figure(good_text.encode()))
    after = findings(_changed(good_text, old, new))
    fresh = [finding for finding in after if finding not in before]
    assert (code, severity, channel) in [(item.code, item.severity, item.channel) for item in fresh]
    for item in fresh:
        assert item.message
        assert item.remedy
    order = ["error", "warning", "note"]
    assert [order.index(item.severity) for item in after] == sorted(order.index(i.severity) for i in after)


@pytest.mark.parametrize(
    ("volts", "severity"), [(6.5, None), (6.7, "warning"), (8.0, "warning"), (8.2, "error"), (12, "error")]
)
def test_too_many_volts_break_servos_and_the_named_value_cures(
    good_text: str, volts: float, severity: str | None
) -> None:
    """The nodding servo bears less than the turning one; what is written must do for both."""
    delicate = good_text.replace("at_v = 6.0", "at_v = 7.4", 1)
    text = delicate.replace("voltage_v = 6.0", f"voltage_v = {volts}")
    found = [item for item in findings(parse_figure(text.encode())) if "gets voltage_v" in item.message]
    assert [item.severity for item in found if item.channel == "nod"] == [severity] * (severity is not None)
    for item in found:
        told = re.search(r"write voltage_v = ([\d.]+)", item.remedy or "")
        assert told
        cured = parse_figure(text.replace(f"voltage_v = {volts}", told.group()[6:]).encode())
        assert not any("gets voltage_v" in other.message for other in findings(cured))


@pytest.mark.parametrize(("volts", "told"), [(4.6, 0), (4.5, 0), (4.4, 2), (3.0, 2)])
def test_too_few_volts_are_a_warning_and_the_named_value_cures(
    good_text: str, volts: float, told: int
) -> None:
    text = good_text.replace("voltage_v = 6.0", f"voltage_v = {volts}")
    found = [item for item in findings(parse_figure(text.encode())) if "so far below" in item.message]
    assert [(item.code, item.severity, item.value) for item in found] == [("supply", "warning", volts)] * told
    for item in found:
        named = re.search(r"write (voltage_v = [\d.]+)", item.remedy or "")
        assert named
        cured = parse_figure(text.replace(f"voltage_v = {volts}", named[1]).encode())
        assert not any("gets voltage_v" in other.message for other in findings(cured))


def test_too_few_volts_for_one_that_another_does_not_bear(good_text: str) -> None:
    mixed = good_text.replace("at_v = 6.0", "at_v = 9.0", 1)
    (found,) = [item for item in findings(parse_figure(mixed.encode())) if "so far below" in item.message]
    assert found.limit == pytest.approx(6.75)
    assert found.remedy == "fit a servo whose datasheet has a line for 6 V"


def test_json_says_the_outer_limit_and_no_minus_zero() -> None:
    """An axis of a pair may be asked for less alone than its servos could make of it together."""
    head = head_on_rods()
    data = as_json(facts(head))
    for name in head.axes:
        assert data["axes"][name]["limit"]["velocity_deg_s"] == pytest.approx(
            math.degrees(outer_limits(head, name).velocity_rad_s)
        )
    assert data["axes"]["nod"]["limit"]["velocity_deg_s"] > 1.01 * math.degrees(
        facts(head).limits["nod"].velocity_rad_s
    )
    assert json.dumps(without_minus_zero({"a": [-0.0, 1.0, {"b": -0.0}]})) == '{"a": [0.0, 1.0, {"b": 0.0}]}'


def test_an_axis_that_cannot_be_held_is_in_sheet_and_json(good_text: str) -> None:
    figure = _changed(good_text, "weight_g = 500", "weight_g = 4000")
    assert "nod: no." in _text(figure)
    assert "nod: not at all" in _text(figure)
    data = as_json(facts(figure))
    assert data["axes"]["nod"]["limit"]["velocity_deg_s"] == 0.0
    assert "cannot be moved" in data["axes"]["nod"]["limited_by"]["velocity"]
    assert data["axes"]["turn"]["limit"]["velocity_deg_s"] > 0
    assert data["servos"]["nod"]["torque_margin"] < 0.5


def test_command_prints_sheet_and_json(
    tmp_path: Path, good_text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "figure.toml").write_text(good_text, encoding="utf-8")
    assert run(["figure", str(tmp_path), "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)) == FIGURE_KEYS
    (tmp_path / "figure.toml").write_text(good_text.replace("= 500", "= 4000"), encoding="utf-8")
    assert run(["figure", str(tmp_path), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["findings"][0]["severity"] == "error"
    (tmp_path / "figure.toml").write_text(good_text.replace("= 500", "= 0"), encoding="utf-8")
    assert run(["figure", str(tmp_path)]) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert "figure.toml:51:1: masses.head.weight_g: 0 must be more than zero" in output.err


def test_new_writes_a_figure_that_reads(tmp_path: Path) -> None:
    write_starter(tmp_path / "shows" / "mine")
    made = sorted(path.name for path in (tmp_path / "shows" / "mine").iterdir())
    assert made == sorted(FILES)
    known = facts(read_figure(tmp_path / "shows" / "mine"))
    assert set(known.limits) == {"turn", "nod"}
    assert not [finding for finding in known.findings if finding.severity != "note"]


def test_new_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "hello.scene").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match=r"already holds hello\.scene; nothing was written"):
        write_starter(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["hello.scene"]
    assert (tmp_path / "hello.scene").read_text(encoding="utf-8") == "mine"


def test_new_into_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(UsageError, match="cannot be written"):
        write_starter(tmp_path / "file" / "show")
    with pytest.raises(UsageError, match="cannot be written"):
        write_starter(tmp_path / "file")
