"""Notes about linkages that work but could be better."""

from __future__ import annotations

import re

import pytest

from sequencer.figure.judge import findings
from sequencer.figure.judge_linkages import linkage_findings
from sequencer.finding import Finding
from tests.figure.linkage_text import head

WIDE = ("ends_us = [980, 2020]", "ends_us = [600, 2400]")


def about(found: list[Finding], word: str) -> list[Finding]:
    return [item for item in found if word in item.message]


def test_a_good_linkage_is_left_alone() -> None:
    assert list(linkage_findings(head())) == []


def test_short_cranks_are_told_with_the_length_that_would_do() -> None:
    changes = [("crank_mm = 40", "crank_mm = 36"), ("axle_mm = [2, 34", "axle_mm = [-2, 34")]
    changes += [("crank_mm = 40", "crank_mm = 36"), ("axle_mm = [2, -34", "axle_mm = [-2, -34"), WIDE, WIDE]
    found = list(linkage_findings(head(*changes)))
    ways = about(found, "from the middle")
    assert {item.channel for item in ways} == {"left", "right"}
    for item in ways:
        assert item.code == "reach"
        assert item.value is not None
        assert item.value > 45.0
        told = re.search(r"crank_mm = ([\d.]+)", item.remedy or "")
        assert told
        assert float(told.group(1)) == pytest.approx(40.0, abs=1.0)
    assert all(item in findings(head(*changes)) for item in found)


def test_a_toggle_that_is_near_is_a_note() -> None:
    figure = head(("range_deg = [0, 25]", "range_deg = [0, 70]"))
    (note,) = about(list(linkage_findings(figure)), "toggle")
    assert note.channel == "jaw"
    assert note.value is not None
    assert 15.0 <= note.value < 30.0


def test_lost_corners_are_a_note() -> None:
    ends = ("ends_us = [980, 2020]", "ends_us = [1190, 1850]")
    figure = head(ends, ends, ("[-28, 26]", "[-22, 22]"), ("[-22, 22]", "[-20, 20]"))
    (note,) = about(list(linkage_findings(figure)), "can be reached")
    assert note.value is not None
    assert note.value < 75.0
