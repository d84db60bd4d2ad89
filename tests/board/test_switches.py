"""Switches of the shipped firmware: set early by their lead, off by themselves after their longest time."""

from __future__ import annotations

from dataclasses import replace

from sequencer.tables.image import build_image
from sequencer.tables.model import SwitchRecord
from sequencer.tables.streams import encode_switch
from sequencer.timeline.model import SwitchStep
from tests.board.emulated_show import FRAME, SERVO_PINS, core_frames, made_show

GREET, BELL, VALVE = 1, 12, 18
MOST = 25
LEAD_S = 0.06


def test_a_lead_is_kept_and_what_is_left_on_goes_off(stage_of):
    show, _ = made_show(SERVO_PINS[:8])
    steps = (SwitchStep(0.5, True), SwitchStep(0.7, False), SwitchStep(2.0, True))
    stream, late = encode_switch(steps, 240, 20_000, LEAD_S, "bell")
    assert not late
    switches = (SwitchRecord("bell", BELL, False, MOST), SwitchRecord("valve", VALVE, True, 0))
    scenes = tuple(
        replace(scene, switches=(stream, stream) if index == GREET else (None, None))
        for index, scene in enumerate(show.scenes)
    )
    show = replace(show, switches=switches, scenes=scenes)
    image = build_image(show)
    stage = stage_of(image, show)
    board = stage.board
    stage.run_s(0.3)
    board.capture([BELL, VALVE])
    assert (board.port_level(BELL), board.port_level(VALVE)) == (0, 1)
    stage.cue("greet")
    stage.run_s(6.0)
    zero = stage.boundary()
    core = core_frames(image, stage, stage.frame_now(), 1)
    begins = next(i for i in range(len(core.frame)) if core.scene[i] == GREET and core.frame[i] == 1)
    at = {
        pin: [(round((e.cycle - zero) / FRAME) - begins, e.level) for e in board.edges if e.pin == pin]
        for pin in (BELL, VALVE)
    }
    # 0.5, 0.7 and 2.0 s less 60 ms are frames 22, 32 and 97; the bell then goes off after its 25 frames,
    # the valve, which may stay on, when the scene of 240 frames is over
    assert at[BELL] == [(22, 1), (32, 0), (97, 1), (97 + MOST, 0)]
    assert at[VALVE][:3] == [(22, 0), (32, 1), (97, 0)]
    assert len(at[VALVE]) == 4
    assert 240 <= at[VALVE][3][0] <= 252
    assert at[VALVE][3][1] == 1
