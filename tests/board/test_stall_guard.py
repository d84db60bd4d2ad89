"""The shipped stall guard on an analog waveform: a servo that moves never trips, one that stalls does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.board.reports import HOLD, TRIPPED
from sequencer.tables.extra_guard import SUPPLY_VOLTAGE, SensorRecord, guard_extra, slice_shift, slices
from sequencer.tables.image import build_image
from tests.board.boards import on_board
from tests.board.emulated_show import FRAME, Stage, made_show

#: A0 and A1; of a Mega A8 and A0, which only one bit tells apart.
CURRENT = {"uno": 14, "mega": 62}
VOLTAGE = {"uno": 15, "mega": 54}
GREET = 1
FRAMES = 10
#: 185 mV/A about 2.5 V, as common Hall sensors give.
MV_PER_A, OFFSET_MV = 185.0, 2500.0


def waveform_mv(scene_frame: int, stalled: bool) -> float:
    """A servo in ``greet``: 0.1 A standing, 0.5 A and bumps while it moves; 1.1 A when it stalls."""
    amperes = 0.1
    if 48 <= scene_frame < 192:
        amperes = 0.4 + 0.15 * np.sin(scene_frame / 5.0) + 0.05 * (scene_frame % 2)
    return OFFSET_MV + MV_PER_A * (1.1 if stalled else amperes)


@pytest.fixture
def guarded(stage_of, kind):
    """A show with a sensor on servo 1 and one on the supply's voltage, limits learned from the waveform."""
    show = on_board(made_show((9, 10, 12))[0], kind)
    shift = slice_shift(240)
    sensor = SensorRecord(
        *(CURRENT[kind], 1, round(5000 / MV_PER_A * 500), round(OFFSET_MV / 5 * 1.024 * 64), 6, 255, FRAMES),
        hold=False,
        tell_only=False,
    )
    voltage = SensorRecord(VOLTAGE[kind], SUPPLY_VOLTAGE, 10_000, 0, 8, 255, 1, hold=False, tell_only=False)
    peaks = []
    for index in range(slices(240, shift)):
        seen = [waveform_mv(f, False) for f in range(max(0, (index - 1) << shift), (index + 2) << shift)]
        counts = (max(seen) - OFFSET_MV) * 1.024 / 5
        peaks.append(min(255, round(counts * 1.2 + 3)))
    none = bytes([255] * len(peaks))
    extra = guard_extra([sensor, voltage], [60, 240, 120], [None, (bytes(peaks), none), None])
    show = replace(show, extras=(extra,))

    def start() -> Stage:
        stage = stage_of(build_image(show), show)
        stage.board.analog(CURRENT[kind], waveform_mv(0, False))
        stage.board.analog(VOLTAGE[kind], 3000)
        return stage

    return start


def perform(stage: Stage, stall_from: int | None) -> list[tuple[int, int, int]]:
    """Play ``greet`` with its waveform; (scene, frame, sensor) of each trip."""
    stage.cue("greet")
    tripped, frame = [], 0
    for _ in range(300):
        status = stage.link.status()
        frame = status.frame if status.scene == GREET else 0
        stalled = stall_from is not None and frame >= stall_from
        stage.board.analog(CURRENT[stage.show.board], waveform_mv(frame, stalled))
        stage.board.run(FRAME)
        tripped += [
            (r.number("scene"), r.number("cue"), r.number("input"))
            for r in stage.link.reports()
            if r.name == "happened" and r.number("what") == TRIPPED
        ]
    return tripped


def test_a_normal_waveform_never_trips(guarded):
    stage = guarded()
    stage.run_s(1.0)
    assert perform(stage, None) == []
    answer = stage.link.request("ask_guard", sensor=1)
    # 3 V at the pin, 20 V full scale, a count is 20 mV
    assert answer.number("now") == pytest.approx(12_000, abs=40)
    assert answer.number("sensors") == 2


@pytest.mark.parametrize(("kind", "stall_from"), [("uno", 40), ("uno", 100), ("mega", 100)])
def test_a_stall_trips_within_its_time_and_is_told_with_scene_and_frame(guarded, stall_from):
    stage = guarded()
    stage.run_s(1.0)
    [(scene, frame, sensor)] = perform(stage, stall_from)
    assert (scene, sensor) == (GREET, 0)
    # its frames, two for the loop that feeds the waveform, three for the running mean of two inputs
    assert stall_from + FRAMES - 1 <= frame <= stall_from + FRAMES + 4
    servo = {track.pin: stage.board.pulses(track.pin) for track in stage.show.tracks}
    last = max(p.start for p in servo[10])
    assert max(p.start for p in servo[9]) - last > 100 * FRAME, "the others go on"
    assert stage.link.status().state != HOLD
    assert stage.link.status().late_frames == 0
    volts = stage.link.request("ask_guard", sensor=1)
    assert volts.number("now") == pytest.approx(12_000, abs=40), "3 V at the pin of 20 V full scale"


def test_calibrating_a_servo_stops_where_its_current_rises(guarded):
    """The servo on D10 meets its stop at 1650 us: 1.1 A there, 0.1 A before."""
    from sequencer.board.calibrate import BACK_OFF_US, SEEK_S, SEEK_US, Calibration, current_watch
    from sequencer.figure.model import Sensor
    from sequencer.figure.read import read_figure
    from sequencer.show_folder import demo_folder

    stage = guarded()
    board, link = stage.board, stage.link
    link.workshop()
    servo = replace(read_figure(demo_folder()).servos["turn"], pin=10, name="turn")
    sensors = {
        "amps": Sensor("amps", "current", CURRENT["uno"], MV_PER_A, OFFSET_MV, watches="turn"),
        "volts": Sensor("volts", "voltage", VOLTAGE["uno"], 500.0),
    }
    assert current_watch(link, {"amps": sensors["amps"]}, "turn") is None, "another show's inputs"
    current_a = current_watch(link, sensors, "turn")
    assert current_a is not None
    work = Calibration(link, servo, current_a)
    work.begin()
    link.reports(0.5)
    assert current_a() == pytest.approx(0.1, abs=0.03)
    work.press(".")
    highest = 0
    while work.seeking:
        work.tick()
        highest = max(highest, work.jog.value)
        link.reports(SEEK_S)
        board.analog(CURRENT["uno"], waveform_mv(0, highest >= 1650))
    assert work.found == {"high_us": "current"}
    assert 1650 <= highest <= 1650 + 2 * SEEK_US
    assert work.marks.high_us == highest - BACK_OFF_US
