"""Small images for the fuzzers to begin from: short scenes, so that few frames meet every state."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sequencer.tables.extra_clock import clock_extra
from sequencer.tables.extra_expanders import ExpanderRecord, expanders_extra
from sequencer.tables.extra_guard import SUPPLY_CURRENT, SensorRecord, guard_extra
from sequencer.tables.extra_policy import DutyContent, PolicyContent, SceneList, policy_extra
from sequencer.tables.extra_sound import SoundRecord, sound_extra
from sequencer.tables.extra_stopping import StoppingContent, TrackStopping, stopping_extra
from sequencer.tables.extra_strings import StringRecord, strings_extra
from sequencer.tables.image import build_image
from sequencer.tables.model import (
    Extra,
    InputRecord,
    LampRecord,
    SceneRecord,
    ShowImage,
    SwitchRecord,
    TrackRecord,
    Transition,
)
from sequencer.tables.rice import encode_track
from sequencer.tables.streams import encode_lamp, encode_switch
from sequencer.timeline.model import LampStep, SwitchStep
from tests.board.emulated_show import cyclic_points, smooth_points

FRAMES = {"idle": 12, "sway": 18, "greet": 36, "storm": 24}


def small_show(tracks: int = 2) -> ShowImage:
    """Two loops, two scenes, two lamps, a switch, three inputs; up to ``tracks`` servos."""
    rng = np.random.default_rng(4)
    servos = tuple(
        TrackRecord(
            name=f"t{i}",
            pin=(2, 4, 7, 8)[i],
            knot_frames=(2, 3, 1, 6)[i],
            lsb_exponent=(3, 2, 4, 5)[i],
            origin_us=1500,
            rest=10 * i,
            parked=40,
            low=-30000,
            high=30000,
            bounds=(32767, 32767, 32767),
            ends_us=(600, 2400),
        )
        for i in range(tracks)
    )
    lamps = (LampRecord("eye", 5, False, 20), LampRecord("lantern", 6, True, 0))
    steps = {
        "eye": (LampStep(0.05, "set", 0.5), LampStep(0.2, "flicker", 0, 0.3, "failing", 0.3, 7)),
        "lantern": (LampStep(0.02, "ramp", 1.0, 0.3), LampStep(0.4, "flicker", 0, 0.2, "gutter", 0.4, 9)),
    }
    bell = (SwitchStep(0.1, True), SwitchStep(0.2, False), SwitchStep(0.3, True))
    scenes = []
    for name, frames in FRAMES.items():
        loop = name in ("idle", "sway")
        points = cyclic_points if loop else smooth_points
        scenes.append(
            SceneRecord(
                name=name,
                frames=frames,
                loop=loop,
                fade_in_frames=6 if loop else 0,
                tracks=tuple(
                    encode_track(points(rng, frames // t.knot_frames, t.rest, 300), t.rest, loop)
                    for t in servos
                ),
                lamps=tuple(
                    None if loop else encode_lamp(steps[lamp.name], frames, 20_000) for lamp in lamps
                ),
                switches=(None if loop else encode_switch(bell, frames, 20_000, 0.0, "bell")[0],),
            )
        )
    return ShowImage(
        figure="Fuzz keeper",
        board="uno",
        frame_us=20_000,
        settle_frames=12,
        stop_frames=6,
        stagger_frames=1,
        boot_frames=1,
        tracks=servos,
        lamps=lamps,
        switches=(SwitchRecord("bell", 12, True, 8),),
        inputs=(
            InputRecord("beam", 19, True, True, 2, 10, "greet", 2, "storm"),
            InputRecord("plate", 18, False, False, 1, 0, "sway", 0, None),
        ),
        scenes=tuple(scenes),
        idle="idle",
        transitions=tuple(tuple(Transition(6, 6 * i) for i in range(len(scenes) + 1)) for _ in range(2)),
        extras=extras(tracks),
    )


def extras(tracks: int) -> tuple[Extra, ...]:
    """One of each kind that a player reads."""
    current = SensorRecord(20, SUPPLY_CURRENT, 100, 0, 4, 200, 3, hold=True, tell_only=False)
    servo = SensorRecord(21, 0, 100, 512, 3, 90, 2, hold=False, tell_only=False)
    limits = [(bytes([40]), bytes([50])) if name == "storm" else None for name in FRAMES]
    starts = tuple((7, 3) if name == "greet" else None for name in FRAMES)
    made = [
        guard_extra([current, servo], list(FRAMES.values()), limits),
        expanders_extra((ExpanderRecord(0x40, "servos", 25_100), ExpanderRecord(0x41, "lamps")), 400),
        strings_extra([StringRecord(9, 5, (0, 1, 0), (255, 100, 30))]),
        sound_extra(SoundRecord(10, True, False, 1667, b"play 0", 5, starts)),
        clock_extra(1200.0),
        policy_extra(
            PolicyContent(
                0,
                DutyContent(1, 2, 1),
                (
                    SceneList("shuffle", (0, 1), (1, 2)),
                    SceneList("weighted", (2, 3), (10, 250)),
                    SceneList("order", (3, 2), (1, 1)),
                ),
            )
        ),
        stopping_extra(
            StoppingContent(12, 6, tuple(TrackStopping(i != 1, i == 0, i == 0) for i in range(tracks)))
        ),
    ]
    return tuple(extra for extra in made if extra is not None)


def images() -> list[bytes]:
    """The whole show, and poorer ones."""
    show = small_show()
    bare = replace(small_show(1), inputs=(), extras=())
    return [build_image(show), build_image(bare), build_image(small_show(4))]
