"""Putting a figure to bed on the emulated Uno: what the board tells, against the pulses on its pins."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.board.reports import HOLD, IDLE
from sequencer.tables.extra_stopping import StoppingContent, TrackStopping, stopping_extra
from sequencer.tables.image import build_image
from tests.board.emulated_show import FRAME, made_show


def test_parked_is_told_with_the_last_pulse(stage_of) -> None:
    show, _ = made_show()
    rows = (TrackStopping(parks=False, balanced=False, falls_silent=False),) * len(show.tracks)
    show = replace(show, extras=(stopping_extra(StoppingContent(48, 0, rows)),))
    image = build_image(show)
    stage = stage_of(image, show)
    assert stage.link.status().parked == 0
    stage.link.park()
    moving = stage.board.cycle
    status = stage.link.wait_held(parked=True)
    told = stage.board.cycle
    stage.run_s(0.2)
    assert (status.state, status.parked) == (HOLD, 1)
    for track in show.tracks:
        pulses = stage.board.pulses(track.pin)
        last = pulses[-1]
        # The frame that plays while the next one, without pulses, is told of may still have some.
        assert moving < last.start
        assert last.end < told + FRAME
        parked_us = track.origin_us + track.parked * 2.0**-track.lsb_exponent
        assert last.width == pytest.approx(16 * parked_us, abs=1)
    stage.link.resume()
    assert stage.link.wait_ready(held=False).state == IDLE
    assert stage.link.status().parked == 0
