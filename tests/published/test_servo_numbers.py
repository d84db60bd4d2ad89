"""What a servo's datasheet line means (check-values section 5).

Sources: 1 kgf cm = 0.0980665 N m exactly (standard gravity, CGPM 1901); 0.17 s/60 deg = 352.941 deg/s;
the DC torque-speed line's peak power T0 w0 / 4 at w0 / 2 (textbook, from memory); a published servo
sheet: neutral 1520 us, 45 deg per 400 us.
"""

from __future__ import annotations

import math

import pytest

from sequencer import units
from sequencer.figure.limits import SHARE_OF_SPEED
from sequencer.figure.model import Servo
from sequencer.figure.physics import SHARE_AT_SPEED
from sequencer.figure.read import parse_figure
from sequencer.figure.tracks import track_maps
from tests.figure.small_text import axis_text, figure_text, servo_text


def test_torque_and_speed_as_printed() -> None:
    assert units.n_m_from_kgcm(1.0) == 0.0980665
    assert units.n_m_from_kgcm(13.0) == pytest.approx(1.27486, abs=5e-6)
    assert math.degrees(units.rad_s_from_s_per_60deg(0.17)) == pytest.approx(352.941, abs=5e-4)


def test_top_speed_is_where_a_dc_motor_gives_most() -> None:
    """On the line T = T0 (1 - w/w0) power is greatest, T0 w0 / 4, at the speed and torque we plan with."""
    speeds = [step / 1000 for step in range(1001)]
    best = max(speeds, key=lambda share: share * (1.0 - share))
    assert best == SHARE_OF_SPEED
    assert 1.0 - best == SHARE_AT_SPEED
    assert best * (1.0 - best) == 0.25


def test_a_published_sheet_with_another_neutral() -> None:
    """Neutral 1520 us, 45 degrees for 400 us: 8.889 us a degree, 1120 and 1920 us at the 45s."""
    text = figure_text(
        servo_text("one", 9, 13, 0.17, pulse_us=[1120, 1920], travel_deg=90),
        axis_text("one", "one", (-45, 45), "up"),
    )
    figure = parse_figure(text.encode())
    servo: Servo = figure.servos["one"]
    assert servo.centre_us == 1520.0
    assert math.radians(servo.us_per_rad) == pytest.approx(400 / 45, rel=1e-12)
    track = track_maps(figure)["one"]
    assert (track.low_us, track.rest_us, track.high_us) == pytest.approx((1120.0, 1520.0, 1920.0))
