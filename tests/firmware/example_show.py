"""One small real show, planned by hand, for the firmware's tests."""

from __future__ import annotations

from sequencer.motion.model import PositionQuantity, Quantity, TrackCertificate, TrackSpec
from sequencer.tables.assemble import with_table
from sequencer.tables.image import build_image
from sequencer.tables.model import (
    InputRecord,
    LampRecord,
    SceneRecord,
    ShowImage,
    SwitchRecord,
    TrackRecord,
    Transition,
)
from sequencer.tables.rice import encode_track
from tests.tables.show_makers import chosen, looking_scene, spec, swaying_loop

SPECS: dict[str, TrackSpec] = {
    "turn": spec("turn", pin=7),
    "jaw": spec("jaw", pin=10, knot_frames=1, bounds=(200, 40, 20), low=0, high=1200, rest=0),
}


def example_show(scene_frames: int = 180) -> ShowImage:
    turn, jaw = SPECS["turn"], SPECS["jaw"]
    plans = {
        "idle": {"turn": swaying_loop(turn, 240, 60, 2)},
        "greet": {
            "turn": looking_scene(turn, scene_frames, 500),
            "jaw": looking_scene(jaw, scene_frames, 300),
        },
    }
    scenes = tuple(
        SceneRecord(
            *(name, 240 if name == "idle" else scene_frames, name == "idle", 6 if name == "idle" else 0),
            tracks=tuple(
                encode_track(tracks[t].points, SPECS[t].rest, tracks[t].loop) if t in tracks else None
                for t in SPECS
            ),
            lamps=(b"\x02\x00\xc8\x19\x00",),
            switches=(None if name == "idle" else b"\x14\x09\x00",),
        )
        for name, tracks in plans.items()
    )
    provisional = ShowImage(
        figure="Lantern */ keeper",
        board="uno",
        frame_us=20_000,
        settle_frames=6,
        stop_frames=6,
        stagger_frames=6,
        boot_frames=25,
        tracks=tuple(
            TrackRecord(
                *(s.name, s.pin, s.knot_frames, s.lsb_exponent, s.origin_us, s.rest, s.parked),
                *(s.low, s.high, s.bounds, (500, 2500)),
            )
            for s in SPECS.values()
        ),
        lamps=(LampRecord("left eye", 5, False, 40),),
        switches=(SwitchRecord("bell", 12, False, 10),),
        inputs=(InputRecord("beam", 2, True, True, 9, 250, "greet", 0, None),),
        scenes=scenes,
        idle="idle",
        transitions=((Transition(6, 0),) * 3,),
    )
    return with_table(provisional, chosen(SPECS, provisional))


SHOW = example_show()
IMAGE = build_image(SHOW)
CERTIFICATE = {
    name: TrackCertificate(
        name,
        PositionQuantity(-60, s.low, 500, s.high, "greet"),
        Quantity(30, s.bounds[0], "greet"),
        Quantity(12, s.bounds[1], "greet"),
        Quantity(6, s.bounds[2], "idle->greet"),
    )
    for name, s in SPECS.items()
}
