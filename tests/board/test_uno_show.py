"""The shipped firmware on the emulated Uno: every pulse, lamp step and edge against the core and SciPy."""

from __future__ import annotations

import numpy as np

from sequencer.board.emulated import LAMP_PINS
from sequencer.board.frames import Frame
from sequencer.board.messages import catalogue
from sequencer.tables.image import build_image
from tests.board.emulated_show import (
    BEAM,
    FRAME,
    SERVO_PINS,
    check_against_core,
    check_against_spline,
    core_frames,
    made_show,
)

REST = 1  # the beam's pin is high while nobody crosses it


def test_every_pulse_is_the_cores_number_and_scipys(twelve, stage_of):
    image, show, points = twelve
    stage = stage_of(image, show)
    stage.run_s(0.5)
    stage.cue("greet")
    stage.run_s(6.0)
    stage.cue("storm")
    stage.run_s(3.5)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), REST)
    assert len(widths) > 500
    assert (widths > 0).all(axis=1).sum() > 400
    check_against_core(widths, core)
    for scene in ("greet", "storm"):
        check_against_spline(widths, core, show, points, scene)
    assert stage.link.status().late_frames == 0
    periods = np.diff([p.start for p in stage.board.pulses(show.tracks[0].pin)])
    assert set(periods) == {FRAME}


def test_no_pulse_before_its_turn_and_the_first_is_where_the_figure_lies(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(0.1)
    widths = stage.widths()
    first = [int(np.flatnonzero(column)[0]) for column in widths.T]
    assert first == [show.stagger_frames * i for i in range(len(show.tracks))]
    for track, row, column in zip(show.tracks, first, widths.T, strict=True):
        parked = 16 * (track.origin_us + track.parked * 2.0**-track.lsb_exponent)
        assert abs(column[row] - parked) <= 1, track.name
    assert all(edge.cycle >= stage.boundary() for edge in stage.board.edges)


def test_held_pulses_stand_still_under_full_duplex_traffic(twelve, stage_of, capsys):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.link.hold()
    stage.run_s(3.0)  # until the stored stop is over
    assert stage.link.status().state == 4
    board = stage.board
    board.edges.clear()
    board.take()
    ask = catalogue().by_name["ask_hello"].code
    # A hello has 37 bytes: requests and zeros (empty frames) a little longer keep both directions busy.
    flood = b"".join(Frame(1 + i % 255, ask, b"").encode().ljust(48, b"\0") for i in range(255))
    begin, sent = board.cycle, 0
    while board.cycle - begin < 60 * FRAME:
        if board.unsent < 200:
            board.feed(flood)
        board.run(FRAME // 20)
        sent += len(board.take())
    share = sent * 704 / (board.cycle - begin)
    worst = 0
    for track in show.tracks:
        widths = [pulse.width for pulse in board.pulses(track.pin)]
        assert len(widths) >= 58
        worst = max(worst, max(widths) - min(widths))
    with capsys.disabled():
        print(f"\n  jitter {worst / 16:.4f} us peak to peak, 12 servos; send {100 * share:.0f} % busy")
    assert worst / 16 <= 0.1
    assert share > 0.5, "the board's sending was not busy enough to disturb anything"


def lit(samples: np.ndarray, pin: int, lit_when_low: bool) -> np.ndarray:
    high = samples[:, 1 + LAMP_PINS.index(pin)] / 256
    return 1 - high if lit_when_low else high


def test_lamps_have_the_cores_duty_and_dark_is_dark(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.board.sample_lamps()
    stage.run_s(0.2)
    stage.cue("greet")
    stage.run_s(5.5)
    rows = len(stage.widths())
    core = core_frames(image, stage, rows, REST)
    samples = np.array([(cycle, *highs) for cycle, highs in stage.board.lamp_samples])
    frame = (samples[:, 0] - stage.boundary()) // FRAME
    compared = 0
    for index, lamp in enumerate(show.lamps):
        duty = core.lamp_duty[:, index].astype(int)
        change = np.flatnonzero(np.diff(duty)) + 1
        for begin, end in zip([0, *change], [*change, rows], strict=True):
            # one frame for the main loop to set it, and whole turns of sixteen periods
            chosen = samples[(frame > begin) & (frame < end)]
            turns = len(chosen) // 16 * 16
            if end - begin < 4 or begin < frame[0]:
                continue
            seen = lit(chosen[:turns], lamp.pin, lamp.active_low).mean()
            assert abs(seen - min(duty[begin], 4080) / 4096) < 1 / 4096, (lamp.name, begin, end)
            lightness = core.lamp_lightness_q8[begin, index] / 512  # 0..100
            cie = lightness / 903.3 if lightness <= 8 else ((lightness + 16) / 116) ** 3
            assert abs(seen - min(cie, 4080 / 4096)) < 2 / 4096, (lamp.name, begin)
            compared += 1
            if duty[begin] == 0:
                assert not lit(chosen, lamp.pin, lamp.active_low).any(), "a dark lamp glimmers"
    assert compared >= 8


def test_a_crossed_beam_plays_the_scene_and_every_second_one_the_other(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(0.33)
    for _ in range(2):
        stage.press(0)
        stage.run_s(0.3)
        stage.press(REST)
        stage.run_s(7.0)
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), REST)
    assert {show.number("greet"), show.number("storm")} <= set(core.scene.tolist())
    check_against_core(widths, core)


def test_a_beam_seen_for_less_than_its_debounce_does_nothing(twelve, stage_of):
    image, show, _ = twelve
    stage = stage_of(image, show)
    stage.run_s(0.2)
    stage.to_mid_frame()
    stage.board.drive(BEAM, 0)
    stage.board.run(FRAME // 6)
    stage.board.drive(BEAM, 1)
    stage.run_s(0.5)
    assert not [report for report in stage.link.reports(0.1) if report.name == "happened"]
    assert stage.link.status().state == 2


def test_the_bell_strikes_in_the_cores_frames_and_is_off_from_the_start(stage_of):
    show, _ = made_show(SERVO_PINS[:-1], switch_pin=12)
    image = build_image(show)
    stage = stage_of(image, show)
    stage.board.capture([12])
    assert stage.board.is_output(12)
    assert stage.board.port_level(12) == 1, "the bell is on when low"
    stage.run_s(0.3)
    stage.cue("greet")
    stage.run_s(5.5)
    core = core_frames(image, stage, len(stage.widths()), REST)
    strikes = [edge for edge in stage.board.edges if edge.pin == 12]
    wanted = np.flatnonzero(np.diff(core.switches & 1)) + 1
    assert len(wanted) >= 4
    frames = [(edge.cycle - stage.boundary()) // FRAME for edge in strikes if edge.cycle > stage.boundary()]
    assert frames == wanted.tolist()
    assert [edge.level for edge in strikes][-len(frames) :] == [
        1 - int(core.switches[row] & 1) for row in wanted
    ]
