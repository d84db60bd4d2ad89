from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from sequencer.errors import PlanError
from sequencer.figure.model import Axis, Board, DirectDrive, Figure, Input, Lamp, Servo, Supply, Switch
from sequencer.tables.assemble import Plans, assemble, with_table
from sequencer.tables.image import build_image, read_image
from sequencer.tables.model import InputRecord, LampRecord, SwitchRecord
from sequencer.timeline.model import LampStep, SwitchStep, Timeline
from tests.tables.show_makers import chosen, looking_scene, spec, swaying_loop
from tests.tables.stream_oracle import decode_lamp, decode_switch, decode_track

TURN = spec("turn", bounds=(200, 40, 20), parked=-50)
SPECS = {"turn": TURN}
PLANS: Plans = {
    "idle": {"turn": swaying_loop(TURN, 600, 400, 5)},
    "greet": {"turn": looking_scene(TURN, 240, 600)},
}
SERVO = Servo(
    name="turn",
    pin=7,
    no_load_speed_rad_s=6.0,
    stall_torque_n_m=1.0,
    at_v=6.0,
    pulse_us=(500.0, 2500.0),
    travel_rad=math.pi,
    stall_a=2.0,
    frame_s=0.02,
    centre_us=1500.0,
    reversed=False,
    ends_us=(620.4, 2380.6),
    speed_derating=0.7,
    torque_derating=0.7,
)
FIGURE = Figure(
    name="Keeper",
    servos={"turn": SERVO},
    axes={
        "turn": Axis(
            *("turn", (-1.0, 1.0), 0.0, 0.0, ("right", "left"), DirectDrive("turn")),
            *((0.0, 0.0, 1.0), (0.0, 0.0, 0.0), None, 0.0, "guess", None, None),
        )
    },
    masses={},
    lamps={"eye": Lamp("eye", 5, 0.35, True, 0.02)},
    switches={"bell": Switch("bell", 12, 0.06, 0.1, 0.5, False)},
    inputs={"beam": Input("beam", "trigger", 2, True, True, 0.03)},
    supply=Supply(6.0, 10.0),
    board=Board("uno"),
    ambient_c=25.0,
)


@dataclass(frozen=True)
class Trigger:
    plays: str = "greet"
    every: int = 6
    every_plays: str | None = "idle"
    cooldown_s: float = 5.0


@dataclass(frozen=True)
class Policy:
    idle: str | None = "idle"
    triggers: dict[str, Trigger] = field(default_factory=lambda: {"beam": Trigger()})


def timeline(scene: str, frames: int, loop: bool = False, **changes: object) -> Timeline:
    plain = Timeline(scene, frames * 0.02, loop, {}, {}, {}, ())
    return replace(plain, **changes)


TIMELINES = {
    "idle": timeline("idle", 600, True),
    "greet": timeline(
        "greet",
        240,
        lamps={"eye": (LampStep(1.0, "ramp", 0.6, 0.5),)},
        switches={"bell": (SwitchStep(0.02, True), SwitchStep(0.12, False))},
    ),
}


def test_everything_reaches_the_image() -> None:
    provisional, late = assemble(FIGURE, SPECS, PLANS, TIMELINES, Policy())
    table = chosen(SPECS, provisional)
    contents = with_table(provisional, table)
    show = read_image(build_image(contents))
    assert show == contents
    assert (show.figure, show.board, show.idle) == ("Keeper", "uno", "idle")
    (turn,) = show.tracks
    assert (turn.pin, turn.rest, turn.parked, turn.bounds) == (7, 0, -50, (200, 40, 20))
    assert turn.ends_us == (621, 2380), "a recorded end is never overstepped by rounding"
    assert show.lamps == (LampRecord("eye", 5, True, 70),)
    assert show.switches == (SwitchRecord("bell", 12, False, 25),)
    assert show.inputs == (InputRecord("beam", 2, True, True, 9, 250, "greet", 6, "idle"),)
    idle, greet = show.scenes
    assert (idle.frames, idle.loop, idle.fade_in_frames) == (600, True, table.fade_in["idle"])
    assert (greet.frames, greet.loop, greet.fade_in_frames) == (240, False, 0)
    assert idle.tracks[0] is not None
    assert decode_track(idle.tracks[0], 200, 0) == list(PLANS["idle"]["turn"].points)
    assert (idle.lamps, idle.switches) == ((None,), (None,))
    assert greet.lamps[0] is not None
    assert greet.switches[0] is not None
    assert decode_lamp(greet.lamps[0]) == [(50, "ramp", 120, 25)]
    assert decode_switch(greet.switches[0]) == [(0, True), (5, False)]
    assert show.transitions == (tuple(table.rows["idle"][to] for to in ("idle", "greet", None)),)
    assert (show.settle_frames, show.stop_frames) == (table.settle_frames, table.stop_frames)
    assert table.settle_frames != provisional.settle_frames
    assert [(scene, item.code, item.channel) for scene, item in late] == [("greet", "sync", "bell")]


def test_a_track_that_rests_takes_no_stream() -> None:
    still = {**PLANS, "greet": {"turn": looking_scene(TURN, 240, 0)}}
    contents, _ = assemble(FIGURE, SPECS, still, TIMELINES, Policy())
    assert contents.scenes[1].tracks == (None,)
    assert np.all(still["greet"]["turn"].points == 0)


def test_without_triggers_an_input_plays_nothing() -> None:
    contents, _ = assemble(FIGURE, SPECS, PLANS, TIMELINES, Policy(None, {}))
    assert contents.idle is None
    assert contents.inputs[0] == InputRecord("beam", 2, True, True, 9, 0, None, 0, None)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"lamps": {str(i): Lamp(str(i), i, 0.0, False, 0.0) for i in range(17)}}, "more lamps"),
        (
            {"switches": {"bell": replace(FIGURE.switches["bell"], max_on_s=2000.0)}},
            "max_on_ms of bell is too long",
        ),
    ],
)
def test_what_no_image_holds_is_told(changes: dict[str, object], words: str) -> None:
    with pytest.raises(PlanError, match=words) as caught:
        assemble(replace(FIGURE, **changes), SPECS, PLANS, TIMELINES, Policy())
    assert caught.value.faults[0].remedy


def test_a_scene_too_long_and_one_of_another_length_are_told() -> None:
    long = {**TIMELINES, "greet": timeline("greet", 70_002)}
    with pytest.raises(PlanError, match="too long for the player's clock"):
        assemble(FIGURE, SPECS, PLANS, long, Policy())
    other = {**TIMELINES, "greet": timeline("greet", 246)}
    with pytest.raises(PlanError, match="scene greet cannot be stored"):
        assemble(FIGURE, SPECS, PLANS, other, Policy())


def test_servos_of_different_frames_are_told() -> None:
    specs = {"turn": TURN, "jaw": replace(spec("jaw"), frame_us=10_000)}
    with pytest.raises(PlanError, match="different frames") as caught:
        assemble(FIGURE, specs, PLANS, TIMELINES, Policy())
    assert caught.value.faults[0].value == "100 and 50"
