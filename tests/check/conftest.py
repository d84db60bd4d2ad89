"""A small figure for the checks."""

from __future__ import annotations

import pytest

from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure
from tests.figure.small_text import axis_text, figure_text, servo_text

TEXT = figure_text(
    servo_text("one", 7, 13, 0.17, stall_a=2.5),
    servo_text("two", 8, 2, 0.1, stall_a=1.0),
    axis_text("axis", "one", (-60, 60), "up"),
    axis_text("jaw", "two", (-10, 20), "left", words=["shut", "open"]),
    rating_a=3.0,
)


@pytest.fixture
def bust() -> Figure:
    return parse_figure(TEXT.encode())
