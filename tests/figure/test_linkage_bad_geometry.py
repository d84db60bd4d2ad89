"""Geometry that cannot work is refused with the number to change, and the number that is named works."""

from __future__ import annotations

import re

import pytest

from sequencer.errors import Fault, FigureError
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure
from tests.figure.advice import typed_in
from tests.figure.linkage_text import HEAD, head

LEFT = HEAD.index("[linkages.neck.left]")
RIGHT = HEAD.index("[linkages.neck.right]")


def fault_of(*changes: tuple[str, str]) -> Fault:
    """The only fault of a changed head."""
    with pytest.raises(FigureError) as caught:
        head(*changes)
    assert len(caught.value.faults) == 1, caught.value
    fault = caught.value.faults[0]
    assert fault.line
    assert fault.remedy
    return fault


def said(fault: Fault) -> str:
    return " | ".join(str(part) for part in (fault.message, fault.value, fault.limit, fault.remedy))


def mended(fault: Fault, changes: tuple[tuple[str, str], ...], key: str) -> Figure:
    """The head with the number that the remedy names typed in on the fault's own line."""
    assert fault.remedy
    assert fault.line
    text = HEAD
    for old, new in changes:
        text = text.replace(old, new, 1)
    found = re.search(rf"{key} = (\[[^\]]*\]|[-\d.]+)", fault.remedy)
    assert found, fault.remedy
    rows = text.split("\n")
    assert rows[fault.line - 1].startswith(f"{key} = "), rows[fault.line - 1]
    rows[fault.line - 1] = f"{key} = {found.group(1)}"
    return parse_figure("\n".join(rows).encode())


@pytest.mark.parametrize(("length", "word"), [("58.9", "toggle"), ("50", "short"), ("160", "long")])
def test_a_rod_that_does_not_fit_home(length: str, word: str) -> None:
    changes = (("rod_mm = 90", f"rod_mm = {length}"),)
    fault = fault_of(*changes)
    assert fault.quantity == "linkages.neck.left.rod_mm"
    assert word in said(fault)
    mended(fault, changes, "rod_mm")


def test_a_rod_that_puts_home_beyond_the_servos_ends() -> None:
    changes = (("rod_mm = 90", "rod_mm = 70"), ("ends_us = [980, 2020]", "ends_us = [1450, 1600]"))
    with pytest.raises(FigureError) as caught:
        head(("rod_mm = 90", "rod_mm = 76"), changes[1])
    assert "home needs a pulse" in str(caught.value)
    assert "rod_mm = 90" in str(caught.value)


@pytest.mark.parametrize(
    ("key", "old", "new"),
    [
        ("range_deg", "range_deg = [-28, 26]", "range_deg = [-60, 26]"),
        ("range_deg", "range_deg = [-22, 22]", "range_deg = [-22, 70]"),
        ("range_deg", "range_deg = [0, 25]", "range_deg = [0, 140]"),
        ("range_deg", "range_deg = [0, 25]", "range_deg = [-120, 25]"),
    ],
)
def test_a_range_that_the_linkage_cannot_follow(key: str, old: str, new: str) -> None:
    fault = fault_of((old, new))
    assert fault.quantity
    assert fault.quantity.endswith("range_deg")
    figure = mended(fault, ((old, new),), key)
    assert figure.axes


def test_a_toggle_inside_the_range_names_a_link_that_would_do() -> None:
    """The jaw's rocker as short as its crank is long: it comes to its toggle before it is open."""
    changes = (("rocker_mm = 16", "rocker_mm = 8"), ("range_deg = [0, 25]", "range_deg = [0, 110]"))
    fault = fault_of(*changes)
    assert "toggle" in said(fault) or "cannot follow" in said(fault)
    assert fault.remedy
    found = re.search(r"or ((\w+)_mm = [\d.]+)", fault.remedy)
    assert found, fault.remedy
    text = HEAD
    for old, new in changes:
        text = text.replace(old, new, 1)
    mouth = text.index("[linkages.mouth]")
    after = re.sub(rf"{found.group(2)}_mm = [\d.]+", found.group(1), text[mouth:], count=1)
    assert after != text[mouth:]
    parse_figure((text[:mouth] + after).encode())


def test_ranges_beyond_the_ends_say_which_servo_and_a_longer_crank() -> None:
    changes = (("ends_us = [980, 2020]", "ends_us = [1300, 1700]"),)
    with pytest.raises(FigureError) as caught:
        head(*changes)
    assert [fault.quantity for fault in caught.value.faults] == ["axes.nod.range_deg", "axes.tilt.range_deg"]
    for fault in caught.value.faults:
        assert "recorded ends of servo `left`" in said(fault)
        assert "range_deg = [" in said(fault)
        assert "crank_mm = " in said(fault)


def test_other_lengths_as_told_work() -> None:
    fault = fault_of(("range_deg = [-28, 26]", "range_deg = [-58, 26]"))
    assert fault.remedy
    told = fault.remedy.partition(", or ")[2]
    assert told.count("rod_mm = ") == 2
    changed = HEAD.replace("range_deg = [-28, 26]", "range_deg = [-58, 26]")
    assert parse_figure(typed_in(changed, told).encode()).pairs


def test_a_rod_so_short_that_the_range_suffers_is_told_first() -> None:
    changes = (("rod_mm = 90", "rod_mm = 70"),)
    with pytest.raises(FigureError) as caught:
        head(*changes)
    for fault in caught.value.faults:
        assert fault.remedy
        told = "or rod_mm = 90.0 in [linkages.neck.left], the mirror image of the right side"
        assert fault.remedy.endswith(told)


def test_links_that_do_not_meet() -> None:
    changes = (("coupler_mm = 42", "coupler_mm = 12"),)
    fault = fault_of(*changes)
    assert fault.quantity == "linkages.mouth.coupler_mm"
    assert "do not meet" in said(fault)
    text = HEAD.replace(*changes[0], 1)
    assert parse_figure(typed_in(text, fault.remedy or "").encode()).axes
    # When no one number does for the whole range, a coupler at least closes the links.
    wide = ("[0, 25]", "[-170, 170]")
    with pytest.raises(FigureError) as caught:
        head(*changes, wide)
    (other,) = [item for item in caught.value.faults if "do not meet" in item.message]
    text = typed_in(text.replace(*wide, 1), other.remedy or "", "linkages.mouth")
    with pytest.raises(FigureError) as caught:
        parse_figure(text.encode())
    assert "do not meet" not in str(caught.value)


@pytest.mark.parametrize(
    "key", ["crank_mm = 40", "rod_mm = 90", "crank_mm = 14", "ground_mm = 42", "weight_g = 1200"]
)
def test_a_negative_length_or_mass_says_the_positive_one(key: str) -> None:
    name, value = key.split(" = ")
    fault = fault_of((key, f"{name} = -{value}"))
    assert f"write {name} = {value}" in said(fault)


def test_both_rods_on_one_side() -> None:
    changes = (
        ("axle_mm = [2, -34, -90]", "axle_mm = [2, 30, -90]"),
        ("joint_mm = [-38, -34, 0]", "joint_mm = [-38, 30, 0]"),
    )
    fault = fault_of(*changes)
    assert "the same way" in said(fault)
    assert "[-38, -4" in said(fault) or "[-40, -40" in said(fault)


def test_a_rod_that_ends_in_the_pivot() -> None:
    fault = fault_of(("joint_mm = [-38, 34, 0]", "joint_mm = [0, 0, 0]"))
    assert fault.quantity == "linkages.neck.left.joint_mm"


def test_lines_that_do_not_meet_name_the_point() -> None:
    changes = (('turns_about = "forward"', 'turns_about = "forward"\npivot_mm = [0, 0, 12]'),)
    fault = fault_of(*changes)
    assert "12.0 mm apart" in said(fault)
    assert "pivot_mm = [0.0, 0.0, 6.0]" in said(fault)


def test_parallel_axes() -> None:
    fault = fault_of(('turns_about = "forward"', 'turns_about = "right"'))
    assert "parallel" in said(fault)


def test_a_pose_that_the_pair_cannot_take() -> None:
    pose = "\n[poses.bow]\nnod_deg = 26\ntilt_deg = 22\n"
    fault = fault_of(("[masses.head]", pose + "[masses.head]"))
    assert fault.quantity == "poses.bow"
    found = re.search(r"nod_deg = ([\d.]+), tilt_deg = ([\d.]+)", fault.remedy or "")
    assert found
    kept = f"\n[poses.bow]\nnod_deg = {found.group(1)}\ntilt_deg = {found.group(2)}\n"
    assert head(("[masses.head]", kept + "[masses.head]")).poses_rad["bow"]


@pytest.mark.parametrize(
    ("what", "old", "new", "words"),
    [
        ("no such linkage", '"mouth" }', '"mouht" }', ("no linkage called `mouht`", "`mouth`")),
        (
            "servo and linkage",
            '{ linkage = "mouth" }',
            '{ servo = "jaw", linkage = "mouth" }',
            ("one of the two",),
        ),
        ("neither", '{ linkage = "mouth" }', "{ ratio = 2.0 }", ("one of the two",)),
        ("a ratio", '{ linkage = "mouth" }', '{ linkage = "mouth", ratio = 2.0 }', ("has no ratio",)),
        ("servo twice", 'servo = "right"', 'servo = "left"', ("already drives", "left crank")),
        ("no such servo", 'servo = "right"', 'servo = "rihgt"', ("no servo called `rihgt`", "`right`")),
        (
            "swapped axes",
            'axes = ["nod", "tilt"]',
            'axes = ["tilt", "nod"]',
            ('write axes = ["nod", "tilt"]',),
        ),
        ("not carried", 'carried_by = "nod"\n', "", ('write carried_by = "nod" in [axes.tilt]',)),
        ("same axis", 'axes = ["nod", "tilt"]', 'axes = ["nod", "nod"]', ("two different axes",)),
        ("no kind", 'kind = "pair"\n', "", ("linkages.neck.kind: is missing", '"pair"')),
        ("wrong kind", 'kind = "pair"', 'kind = "pairs"', ("no such kind", "`pair`")),
        ("a third axis", '{ linkage = "mouth" }', '{ linkage = "neck" }', ("give `jaw` a drive of its own",)),
    ],
)
def test_who_drives_what(what: str, old: str, new: str, words: tuple[str, ...]) -> None:
    with pytest.raises(FigureError) as caught:
        head((old, new))
    text = str(caught.value)
    for word in words:
        assert word in text, (what, text)
