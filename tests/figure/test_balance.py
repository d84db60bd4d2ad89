"""What stays where it is without power: gravity by hand against the friction in the file."""

from __future__ import annotations

import pytest

from sequencer.figure import balance
from sequencer.figure.read import parse_figure
from sequencer.finding import Finding
from tests.figure.small_text import axis_text, figure_text, servo_text


def told(at_mm: tuple[int, int, int], friction_kgcm: float, **more: object) -> list[Finding]:
    """Of a nodding 300 g; ``more`` are keys of its axis."""
    ball = f"""
[masses.ball]
shape = "sphere"
diameter_mm = 40
weight_g = 300
at_mm = {list(at_mm)}
carried_by = "nod"
basis = "measured"
"""
    axis = axis_text("nod", "one", (-20, 20), "left", pivot_mm=[0, 0, 0], friction_kgcm=friction_kgcm, **more)
    text = figure_text(servo_text("one", 7, 13, 0.17), axis, ball)
    return list(balance.findings(parse_figure(text.encode())))


def test_an_axis_that_would_fall_is_refused_its_silence() -> None:
    (found,) = told((40, 0, 0), 0.5, release_at_rest=True)
    assert (found.severity, found.channel) == ("error", "nod")
    # 0.3 kg, 4 cm ahead of the pivot.
    assert found.value == pytest.approx(1.2, rel=1e-6)
    assert found.limit is not None
    assert found.limit <= 0.5
    assert "would fall" in found.message
    assert "counterweight" in found.remedy


@pytest.mark.parametrize(
    ("at_mm", "friction_kgcm"), [((0, 0, 40), 0.5), ((0, 0, -40), 0.5), ((0, 40, 0), 0.5), ((40, 0, 0), 5.0)]
)
def test_over_or_under_the_pivot_or_with_friction_enough_it_stays(
    at_mm: tuple[int, int, int], friction_kgcm: float
) -> None:
    assert told(at_mm, friction_kgcm, release_at_rest=True) == []


def test_without_the_wish_nothing_is_told() -> None:
    assert told((40, 0, 0), 0.5) == []


def test_parking_is_noted_with_what_falls() -> None:
    (found,) = told((0, 0, 40), 0.5, on_stop="park")
    assert (found.severity, found.channel) == ("note", "nod")
    assert "parked pose" in found.message
    assert "freeze" in found.remedy
