"""Boards with every pin in use, their line full: pulses exact, nothing late, no two begin together."""

from __future__ import annotations

import pytest

from sequencer.figure.pins import PINS
from tests.benchmarks.board import BUDGETS, avr, lamp_error, pulses_case

LEAD = 320  # pulses.c


@pytest.mark.parametrize("name", ["nano 12 servos", "mega 24 servos"])
def test_pulses_of_a_full_board_stand_to_the_cycle(name):
    case = pulses_case(BUDGETS[name], 1)
    assert case["least_travel_us"] > 50, "every servo must move"
    assert case["jitter_us"] <= 0.1
    assert case["width_error_us"] <= 1 / 16
    assert case["late_frames"] == 0
    assert case["overruns"] == 0
    assert case["receive_busy"] > 0.95
    assert case["i2c_bytes_per_s"] > 100
    assert case["current_reading"] is not None
    assert 0 < case["worst_latency_cycles"] < LEAD - 40, "the fine wait needs the rest of the lead"
    # Supply peaks: servos start one by one, and in each frame no two pulses begin together.
    assert case["closest_start_ups_ms"] > 80
    assert case["closest_rises_us"] > 50


@pytest.mark.parametrize("name", list(BUDGETS))
def test_the_budgets_pins_are_the_boards(name):
    budget = BUDGETS[name]
    pins = PINS[budget.board]
    inputs = [budget.trigger, budget.sensor, *([] if budget.stop is None else [budget.stop])]
    used = [*budget.servos, *budget.lamps, *inputs, *pins.i2c]
    assert len(set(used)) == len(used), "two parts on one pin"
    assert set(used) - set(pins.analog_only) <= pins.usable
    assert set(budget.lamps) <= set(pins.lamps)
    assert budget.sensor >= pins.first_analog
    if budget.board != "mega":
        assert len(set(used) - set(pins.analog_only)) == len(pins.usable), "a pin is left over"


@pytest.mark.parametrize("kind", ["uno", "mega"])
def test_lamps_have_twelve_bits(kind):
    assert lamp_error(avr(), kind, 311)["worst_error_4096ths"] < 1
