"""Minimum gaps against crushing (ISO 13854, read in secondary sources): cautions, no claim of compliance."""

from __future__ import annotations

import pytest

from sequencer.figure import openings
from sequencer.figure.read import parse_figure

TEXT = """
name = "gap"
board = { kind = "uno" }
supply = { voltage_v = 6, rating_a = 5 }
"""


@pytest.mark.parametrize(
    ("part", "least_mm"), [("finger", 25), ("hand", 100), ("arm", 120), ("head", 300), ("body", 500)]
)
def test_gaps_on_both_sides_of_the_published_number(part: str, least_mm: float) -> None:
    for gap_mm, told in ((least_mm - 0.5, True), (float(least_mm), False)):
        figure = parse_figure(f'{TEXT}[openings.mouth]\ngap_mm = {gap_mm}\npart = "{part}"\n'.encode())
        found = list(openings.findings(figure))
        assert bool(found) == told
        for item in found:
            assert (item.code, item.severity, item.channel) == ("gap", "warning", "mouth")
            assert item.value == pytest.approx(gap_mm)
            assert item.limit == pytest.approx(least_mm)
            assert item.remedy is not None
            assert f"{least_mm:g} mm" in item.remedy
            assert "complian" not in item.message
