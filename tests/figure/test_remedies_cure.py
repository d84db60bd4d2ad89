"""Every number that a remedy names, written into the Lantern Keeper's file, clears what it was told for."""

from __future__ import annotations

import pytest

from sequencer.errors import Fault, FigureError
from sequencer.figure.facts import facts
from sequencer.figure.judge_linkages import linkage_findings
from sequencer.figure.read import parse_figure
from sequencer.finding import Finding
from sequencer.show_folder import demo_folder
from tests.figure.advice import set_key, typed_in, ways

KEEPER = (demo_folder() / "figure.toml").read_text(encoding="utf-8")
WIDE = (("servos.neck_left", "ends_us", "[600, 2400]"), ("servos.neck_right", "ends_us", "[600, 2400]"))
Change = tuple[str, str, str]


def keeper(*changes: Change) -> str:
    text = KEEPER
    for table, key, value in changes:
        text = set_key(text, table, key, value)
    return text


def faults(text: str) -> list[Fault]:
    try:
        parse_figure(text.encode())
    except FigureError as error:
        return list(error.faults)
    return []


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ([("linkages.jaw", "crank_deg", "5")], "crank_deg = "),
        ([("linkages.jaw", "coupler_mm", "12")], "ground_mm = "),
        ([("linkages.jaw", "crank_mm", "140")], "coupler_mm = "),
        ([("axes.jaw", "range_deg", "[-40, 25]")], "range_deg = ["),
        ([("axes.nod", "parked_deg", "28")], "parked_deg = 27.9 in [axes.nod]"),
        ([("axes.nod", "parked_deg", "28"), ("axes.tilt", "parked_deg", "-22")], "in [axes.tilt]"),
        ([("axes.tilt", "home_deg", "22")], "home_deg = 21.9 in [axes.tilt]"),
        ([("linkages.neck.left", "crank_mm", "5")], "write crank_mm = 40.0 in [linkages.neck.left]"),
        ([("linkages.neck.right", "rod_mm", "9.0")], "write rod_mm = 90.0 in [linkages.neck.right]"),
        ([("linkages.neck.left", "plane_deg", "90")], "plane_deg = 180 in [linkages.neck.left]"),
        ([("linkages.neck.left", "crank_deg", "40")], "crank_deg = 0 in [linkages.neck.left]"),
        ([("linkages.neck.right", "joint_mm", "[-38, -34, 20]")], "joint_mm = [-38, -34, 0]"),
        ([("linkages.neck.right", "axle_mm", "[2, -34, -60]")], "axle_mm = [2, -34, -90]"),
        (
            [("linkages.neck.left", "crank_mm", "5"), ("linkages.neck.right", "crank_mm", "5")],
            "[linkages.neck.right]",
        ),
        ([("axes.nod", "range_deg", "[-60, 60]"), ("axes.tilt", "range_deg", "[-35, 35]")], "crank_mm = "),
    ],
    ids=lambda value: " ".join(".".join(change[:2]) for change in value) if isinstance(value, list) else "",
)
def test_geometry_that_cannot_work(changes: list[Change], told: str) -> None:
    text = keeper(*changes)
    found = faults(text)
    assert found
    for fault in found:
        assert fault.quantity
        assert told in (fault.remedy or "")
        for way in ways(fault.remedy or ""):
            cured = faults(typed_in(text, way, fault.quantity.rpartition(".")[0]))
            if " in [" in way:
                # A number that names its place cures everything; a smaller range this axis.
                assert cured == [], way
            assert fault.quantity not in [other.quantity for other in cured], way


def test_both_axes_of_a_pair_are_told_the_same_cranks() -> None:
    narrow = [(table, "ends_us", "[1290, 1710]") for table in ("servos.neck_left", "servos.neck_right")]
    found = faults(keeper(*narrow))
    assert [fault.quantity for fault in found] == ["axes.nod.range_deg", "axes.tilt.range_deg"]
    one, two = ((fault.remedy or "").partition(", or ")[2] for fault in found)
    assert one == two
    assert "crank_mm = " in one


@pytest.mark.parametrize(
    "changes",
    [
        [*WIDE, ("linkages.neck.left", "crank_mm", "35"), ("linkages.neck.right", "crank_mm", "35")],
        [*WIDE, ("axes.nod", "range_deg", "[-40, 40]")],
        [*WIDE, ("axes.nod", "range_deg", "[-48, 48]")],
        [("axes.nod", "range_deg", "[-34, 34]"), ("axes.tilt", "range_deg", "[-34, 34]")],
        [("axes.jaw", "range_deg", "[0, 70]"), ("servos.jaw", "ends_us", "[600, 2400]")],
    ],
    ids=["short cranks", "wide nod", "wider nod", "corners", "jaw's toggle"],
)
def test_linkages_that_could_be_better(changes: list[Change]) -> None:
    text = keeper(*changes)
    found = list(linkage_findings(parse_figure(text.encode())))
    assert found
    for finding in found:
        named = ways(finding.remedy)
        assert named, finding
        after = list(linkage_findings(parse_figure(typed_in(text, named[0]).encode())))
        assert _kind(finding) not in [_kind(other) for other in after], (named[0], after)


def _kind(finding: Finding) -> tuple[str | None, str | None, str]:
    """What a finding is about, whatever its numbers."""
    return finding.channel, finding.unit, finding.message.split(" deg")[0].split("corner")[0][:30]


@pytest.mark.parametrize(
    ("mass", "weight_g"), [("skull", "9000"), ("skull", "3000"), ("jaw", "900"), ("skull", "1500")]
)
def test_a_servo_that_carries_what_is_too_heavy(mass: str, weight_g: str) -> None:
    """Guessed friction grows with the servo: the one that is named is strong enough all the same."""
    text = keeper((f"masses.{mass}", "weight_g", weight_g))
    found = [item for item in facts(parse_figure(text.encode())).findings if "stall_kgcm" in item.remedy]
    assert found
    for finding in found:
        after = facts(parse_figure(typed_in(text, finding.remedy).encode())).findings
        assert not [
            other for other in after if "gravity and friction take" in other.message and _same(other, finding)
        ]


def _same(other: Finding, finding: Finding) -> bool:
    return other.channel == finding.channel and other.severity != "note"


def test_the_named_servo_is_not_much_stronger_than_it_must_be() -> None:
    text = keeper(("masses.skull", "weight_g", "9000"))
    (finding, *_) = facts(parse_figure(text.encode())).findings
    needed = int(finding.remedy.partition("stall_kgcm = ")[2].split()[0])
    weaker = typed_in(
        text, finding.remedy.replace(f"stall_kgcm = {needed}", f"stall_kgcm = {0.97 * needed:.1f}")
    )
    after = facts(parse_figure(weaker.encode())).findings
    assert any(other.channel == "nod" and other.code == "torque" for other in after)
