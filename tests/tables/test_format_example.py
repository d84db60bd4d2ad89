"""The worked example of FORMAT.md: rebuilt from its description, compared byte for byte."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from sequencer.board.messages import catalogue
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.tables.assemble import with_table
from sequencer.tables.image import build_image, read_image
from sequencer.tables.model import LampRecord, SceneRecord, ShowImage, SwitchRecord, TrackRecord, Transition
from sequencer.tables.rice import encode_track
from sequencer.tables.streams import encode_lamp, encode_switch
from sequencer.timeline.model import LampStep, SwitchStep
from tests.tables import fade_oracle
from tests.tables.show_makers import chosen
from tests.tables.stream_oracle import decode_lamp, decode_switch, decode_track

FORMAT = Path(__file__).parents[2] / "sequencer" / "tables" / "FORMAT.md"
FRAME_US = 20_000
IDLE = [0, 2, 4, 4, 2, 0, -2, -2]
NOD = [4, 12, 16, 12, 4]

SPEC = TrackSpec(
    name="turn",
    axis="turn",
    servo="turn",
    pin=9,
    frame_us=FRAME_US,
    knot_frames=6,
    lsb_exponent=2,
    origin_us=1500,
    value_zero=0.0,
    value_per_rad=2546.0,
    low=-40,
    high=40,
    bounds=(10, 8, 8),
    rest=0,
    parked=-20,
)


def example() -> ShowImage:
    idle = TrackPlan(SPEC, "idle", True, np.array(IDLE), 0.0, 0)
    nod = TrackPlan(SPEC, "nod", False, np.array([0, 0, 0, *NOD, 0, 0, 0]), 0.0, 0)
    lamp = encode_lamp(
        (
            LampStep(0.0, "set", 1.0),
            LampStep(0.2, "flicker", 0, 0.4, "gutter", 0.25, 7),
            LampStep(0.6, "ramp", 0.2, 0.3),
        ),
        48,
        FRAME_US,
    )
    bell, _ = encode_switch((SwitchStep(0.5, True), SwitchStep(0.6, False)), 48, FRAME_US, 0.06, "bell")
    scenes = (
        SceneRecord("idle", 48, True, 6, (encode_track(idle.points, 0, True),), (None,), (None,)),
        SceneRecord("nod", 48, False, 0, (encode_track(nod.points, 0, False),), (lamp,), (bell,)),
    )
    provisional = ShowImage(
        figure="Tiny",
        board="uno",
        frame_us=FRAME_US,
        settle_frames=6,
        stop_frames=6,
        stagger_frames=6,
        boot_frames=25,
        tracks=(TrackRecord("turn", 9, 6, 2, 1500, 0, -20, -40, 40, (10, 8, 8), (1200, 1800)),),
        lamps=(LampRecord("eye", 5, False, 40),),
        switches=(SwitchRecord("bell", 12, False, 25),),
        inputs=(),
        scenes=scenes,
        idle="idle",
        transitions=((Transition(6, 0),) * 3,),
    )
    return with_table(provisional, chosen({"turn": SPEC}, provisional))


def dump() -> dict[int, bytes]:
    """Address -> bytes of each line of the document's dump."""
    lines = re.findall(
        r"^    ([0-9A-F]{4})  ((?:[0-9A-F]{2} )*[0-9A-F]{2})(?:  .*)?$", FORMAT.read_text(), re.MULTILINE
    )
    return {int(at, 16): bytes.fromhex(data) for at, data in lines}


def test_the_dump_is_the_image() -> None:
    lines = dump()
    at = 0
    for address, data in lines.items():
        assert address == at, f"{address:04X} follows {at:04X}"
        at += len(data)
    assert b"".join(lines.values()) == build_image(example())


def test_the_dump_s_streams_mean_what_the_text_says() -> None:
    show = read_image(b"".join(dump().values()))
    idle, nod = show.scenes
    assert idle.tracks[0] is not None
    assert nod.tracks[0] is not None
    assert nod.lamps[0] is not None
    assert nod.switches[0] is not None
    assert decode_track(idle.tracks[0], 8, 0) == IDLE
    assert decode_track(nod.tracks[0], 5, 0) == NOD
    assert decode_lamp(nod.lamps[0]) == [
        (0, "set", 200),
        (10, "flicker", 1, 50, 7, 20),
        (30, "ramp", 40, 15),
    ]
    assert decode_switch(nod.switches[0]) == [(22, True), (27, False)]


def test_the_example_s_transitions_are_proven() -> None:
    show = example()
    idle = TrackPlan(SPEC, "idle", True, np.array(IDLE), 0.0, 0)
    nod = TrackPlan(SPEC, "nod", False, np.array([0, 0, 0, *NOD, 0, 0, 0]), 0.0, 0)
    for entered, item in zip((idle, nod, None), show.transitions[0], strict=True):
        points = fade_oracle.leaving(
            idle, entered, item.fade_frames, item.delay_frames, show.scenes[0].fade_in_frames
        )
        assert fade_oracle.worst(points).within(SPEC)


def test_a_live_message_carries_as_many_points_as_the_page_says() -> None:
    said = re.search(r"from number i on, up to (\w+), the last three", FORMAT.read_text(encoding="utf-8"))
    assert said is not None
    assert {"eleven": 11, "twelve": 12}[said[1]] == catalogue().by_name["live"].most
