"""A scene cut short on an emulated board, by reset line, stop input or lost supply; nothing is replayed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.board.link import Link
from sequencer.board.reports import (
    BROWN_OUT,
    HOLD,
    IDLE,
    POWERLESS,
    RAIL_BACK,
    RAIL_LOST,
    STARTED,
    STOPPED,
    News,
    news_of,
)
from sequencer.errors import LinkError
from sequencer.tables.image import build_image
from sequencer.tables.model import InputRecord
from tests.board.boards import bought, load_for, on_board
from tests.board.emulated_show import (
    BEAM,
    SERVO_PINS,
    check_against_core,
    core_frames,
    made_show,
    start_stage,
)

#: Free pins; a Mega's lie on ports above the others' addresses.
POWER = {"uno": 12, "mega": 66}
STOP = {"uno": 12, "mega": 43}


def starts(reports) -> list[int]:
    return [r.number("cue") for r in reports if r.name == "happened" and r.number("what") == STARTED]


def test_a_reset_by_the_line_in_a_scene_is_told_and_the_board_settles(twelve, stage_of) -> None:
    image, show, _ = twelve
    stage = stage_of(image, show)
    number = show.number("greet")
    cue = stage.link.cue(number)
    steps = stage.link.follow(cue, number)
    while next(steps).status.frame < 30:
        pass
    quickest = np.abs(np.diff(stage.widths()[-25:], axis=0)).max(axis=0)
    last = np.array([stage.board.pulses(track.pin)[-1].width for track in show.tracks])
    stage.board.edges.clear()
    stage.port.reset()
    with pytest.raises(LinkError, match="board reset; the cue was interrupted") as caught:
        list(steps)
    assert "nothing is sent again" in str(caught.value)
    before = stage.link._boot
    hello = stage.link.hello()
    assert hello.boot != before
    stage.link.wait_ready()
    stage.run_s(6.0)  # as long as the scene
    status = stage.link.status()
    assert (status.state, status.scene, status.cue) == (IDLE, show.number("idle"), 0)
    assert starts(stage.link.reports(0.2)) == []
    # It begins where the servos stand (a reset takes no power from them) ...
    widths = stage.widths()
    assert len(widths) > 300
    first = np.array([column[np.flatnonzero(column)[0]] for column in widths.T])
    assert (np.abs(first - last) <= 2 * quickest + 1).all()
    parked = [16 * (t.origin_us + t.parked * 2.0**-t.lsb_exponent) for t in show.tracks]
    assert np.abs(first - last).sum() * 3 < np.abs(first - parked).sum()
    # ... and once settled it is what the core plays when nobody asks for anything.
    core = core_frames(image, stage, len(widths), 1)
    settled = int(np.flatnonzero(core.state == IDLE)[0]) + 6
    assert settled < 120
    core = replace(core, pulse_sixteenths=core.pulse_sixteenths[settled:])
    check_against_core(widths[settled:], core)
    stage.run_s(0.1)
    cue = stage.link.cue(number)  # and it takes the next one
    assert [step.outcome for step in stage.link.follow(cue, number)][-1] == "played"


def test_a_supply_that_sags_in_a_scene_is_told_where_the_loader_lets_its_cause_through() -> None:
    """The old Nano's does (and newer ones of the Uno than the packaged one)."""
    port, load = bought("nano old"), load_for("nano old")
    port.board.load(0, load.content)
    port.board.drive(BEAM, 1)
    port.reset()
    link = Link(port)
    link.hello()
    link.wait_ready()
    number = load.show.number("greet")
    steps = link.follow(link.cue(number), number)
    while next(steps).status.frame < 30:
        pass
    port.board.brown_out()
    with pytest.raises(LinkError, match=r"sagging supply \(brown-out\); the cue was interrupted") as caught:
        list(steps)
    assert "capacitor" in str(caught.value)
    hello = link.hello()
    assert hello.reset_words == BROWN_OUT
    assert hello.pose_unknown


@pytest.mark.parametrize("kind", ["uno", "mega"])
def test_a_stop_input_ends_a_scene_as_the_core_says_and_holds(put_on_board, kind) -> None:
    pin = STOP[kind]
    show = on_board(made_show(SERVO_PINS[:-1])[0], kind)
    show = replace(show, inputs=(InputRecord("stop", pin, True, True, 3, 0, None, 0, None, "stop"),))
    image = build_image(show)
    port = put_on_board(image)
    port.board.drive(pin, 1)
    stage = start_stage(port, image, show)
    number = show.number("greet")
    stage.run_s(0.3)
    stage.cue("greet")
    stage.run_s(3.0)
    stage.press(0)
    at = stage.frame_now()
    told = [report.number("what") for report in stage.link.reports(2.0) if report.name == "happened"]
    assert told == [STOPPED]
    assert stage.link.status().state == HOLD
    with pytest.raises(LinkError, match="refused"):
        stage.link.cue(number)
    with pytest.raises(LinkError, match="refused"):
        stage.link.resume()
    widths = stage.widths()
    core = core_frames(image, stage, len(widths), 1)
    assert core.scene[at] == number
    check_against_core(widths, core)
    stage.press(1)
    stage.run_s(1.0)
    assert stage.link.status().state == HOLD, "it left hold by itself"
    stage.link.resume()
    assert stage.link.wait_ready(held=False).state == IDLE
    assert starts(stage.link.reports(1.0)) == [], "nothing is resumed"


@pytest.mark.parametrize("kind", ["uno", "mega"])
def test_a_scene_ended_by_the_lost_supply_is_told_as_such(put_on_board, kind) -> None:
    pin = POWER[kind]
    show = on_board(made_show(SERVO_PINS[:-1])[0], kind)
    rail = InputRecord("power", pin, False, False, 3, 0, None, 0, None, "rail")
    show = replace(show, inputs=(*show.inputs, rail))
    image = build_image(show)
    port = put_on_board(image)
    port.board.drive(BEAM, 1)
    port.board.drive(pin, 1)
    stage = start_stage(port, image, show)
    number = show.number("greet")
    steps = stage.link.follow(stage.link.cue(number), number)
    while next(steps).status.frame < 30:
        pass
    stage.board.drive(pin, 0)
    last = list(steps)[-1]
    assert last.outcome == POWERLESS
    assert last.news == (News(RAIL_LOST, 1),)
    assert "lost their power" in last.news[0].words
    with pytest.raises(LinkError, match="refused"):
        stage.link.cue(number)
    stage.board.drive(pin, 1)
    told = [report for _ in range(20) for report in stage.link.reports(0.1)]
    assert [news for report in told if (news := news_of(report)) is not None] == [News(RAIL_BACK, 1)]
    assert starts(told) == [], "nothing is resumed"
    assert stage.link.wait_ready().state == IDLE
    stage.run_s(1.0)
    assert stage.link.status().scene == show.number("idle")
