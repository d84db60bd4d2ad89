"""Small shows for the tests: plans that keep their bounds, and random images."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from hypothesis import strategies as st

from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.player.player import Fault, Player
from sequencer.tables.image import build_image
from sequencer.tables.model import (
    COMMON_FRAMES,
    InputRecord,
    LampRecord,
    SceneRecord,
    ShowImage,
    SwitchRecord,
    TrackRecord,
    Transition,
)
from sequencer.tables.rice import encode_track
from sequencer.tables.transitions import TransitionTable, choose_transitions


def spec(
    name: str = "turn",
    *,
    knot_frames: int = 3,
    bounds: tuple[int, int, int] = (400, 60, 30),
    low: int = -4000,
    high: int = 4000,
    rest: int = 0,
    parked: int = 0,
    pin: int = 7,
) -> TrackSpec:
    return TrackSpec(
        name=name,
        axis=name,
        servo=name,
        pin=pin,
        frame_us=20_000,
        knot_frames=knot_frames,
        lsb_exponent=2,
        origin_us=1500,
        value_zero=0.0,
        value_per_rad=2546.0,
        low=low,
        high=high,
        bounds=bounds,
        rest=rest,
        parked=parked,
    )


def swaying_loop(track: TrackSpec, frames: int, size: float, turns: int, scene: str = "idle") -> TrackPlan:
    """A loop that sways about rest by ``size`` LSB."""
    n = frames // track.knot_frames
    at = 2 * np.pi * np.arange(n) * turns / n
    points = np.round(track.rest + size * np.sin(at)).astype(np.int64)
    return TrackPlan(track, scene, True, points, 0.0, 0)


def looking_scene(track: TrackSpec, frames: int, size: float, scene: str = "greet") -> TrackPlan:
    """A scene that goes out by ``size`` LSB and comes back, begun at once."""
    spans = frames // track.knot_frames
    inner = spans - 3
    points = np.full(spans + 3, track.rest, dtype=np.int64)
    if inner > 0:
        x = (np.arange(inner) + 1) / (inner + 1)
        points[3:-3] = np.round(track.rest + size * np.sin(np.pi * x) ** 4)
    return TrackPlan(track, scene, False, points, 0.0, 0)


def moving_show(
    specs: Mapping[str, TrackSpec],
    plans: Mapping[str, Mapping[str, TrackPlan]],
    frames: Mapping[str, int],
    loops: tuple[str, ...] = ("idle",),
) -> ShowImage:
    """Tracks and scenes (``plans``, each of so many frames) with transitions of six frames."""
    return ShowImage(
        figure="test",
        board="uno",
        frame_us=20_000,
        settle_frames=COMMON_FRAMES,
        stop_frames=COMMON_FRAMES,
        stagger_frames=0,
        boot_frames=0,
        tracks=tuple(
            TrackRecord(
                *(s.name, s.pin, s.knot_frames, s.lsb_exponent, s.origin_us, s.rest, s.parked),
                *(s.low, s.high, s.bounds, (1, 4000)),
            )
            for s in specs.values()
        ),
        lamps=(),
        switches=(),
        inputs=(),
        scenes=tuple(
            SceneRecord(
                *(name, frames[name], name in loops, COMMON_FRAMES if name in loops else 0),
                tracks=tuple(
                    encode_track(tracks[t].points, specs[t].rest, tracks[t].loop) if t in tracks else None
                    for t in specs
                ),
                lamps=(),
                switches=(),
            )
            for name, tracks in plans.items()
        ),
        idle=None,
        transitions=((Transition(COMMON_FRAMES, 0),) * (len(plans) + 1),) * len(loops),
    )


def opened(show: ShowImage) -> Player:
    """A player with the show's image."""
    core = Player(build_image(show))
    assert core.open() is Fault.OK
    return core


def chosen(specs: Mapping[str, TrackSpec], show: ShowImage) -> TransitionTable:
    """The show's transitions, chosen on the compiled core."""
    return choose_transitions(opened(show), specs, show.scenes)


_NAMES = st.text(min_size=0, max_size=12)
_U8 = st.integers(0, 255)
#: The board's own; pins from 128 on need an expander.
_PIN = st.integers(0, 127)


@st.composite
def shows(draw: st.DrawFn) -> ShowImage:
    """Any show that an image can hold (streams of tracks are real, the numbers are anything)."""
    tracks = draw(st.lists(_track_records(), max_size=3))
    lamps = draw(
        st.lists(st.builds(LampRecord, _NAMES, _PIN, st.booleans(), st.integers(0, 200)), max_size=2)
    )
    switches = draw(
        st.lists(st.builds(SwitchRecord, _NAMES, _U8, st.booleans(), st.integers(0, 65535)), max_size=2)
    )
    names = draw(st.lists(_NAMES, max_size=3, unique=True))
    scenes = tuple(draw(_scene(name, tracks, len(lamps), len(switches))) for name in names)
    some_scene = st.sampled_from([None, *names])
    inputs = draw(
        st.lists(
            st.builds(
                InputRecord,
                *(_NAMES, _U8, st.booleans(), st.booleans(), _U8, st.integers(0, 65535)),
                *(some_scene, _U8, some_scene),
            ),
            max_size=2,
        )
    )
    inputs = [item if item.nth_scene is not None else replace(item, nth=0) for item in inputs]
    sixes = st.integers(0, 50).map(lambda n: 6 * n)
    rows = tuple(
        tuple(Transition(draw(sixes), draw(sixes)) for _ in range(len(scenes) + 1)) for s in scenes if s.loop
    )
    return ShowImage(
        figure=draw(_NAMES),
        board="uno",
        frame_us=20_000,
        settle_frames=draw(sixes),
        stop_frames=draw(sixes),
        stagger_frames=draw(_U8),
        boot_frames=draw(_U8),
        tracks=tuple(tracks),
        lamps=tuple(lamps),
        switches=tuple(switches),
        inputs=tuple(inputs),
        scenes=scenes,
        idle=draw(st.sampled_from([None, *(scene.name for scene in scenes if scene.loop)])),
        transitions=rows,
    )


@st.composite
def _track_records(draw: st.DrawFn) -> TrackRecord:
    low = draw(st.integers(-32767, 32767))
    high = draw(st.integers(low, 32767))
    ends_low = draw(st.integers(0, 4095))
    return TrackRecord(
        name=draw(_NAMES),
        pin=draw(_PIN),
        knot_frames=draw(st.sampled_from([1, 2, 3, 6])),
        lsb_exponent=draw(st.integers(2, 5)),
        origin_us=draw(st.integers(0, 4095)),
        rest=draw(st.integers(low, high)),
        parked=draw(st.integers(low, high)),
        low=low,
        high=high,
        bounds=draw(st.tuples(*[st.integers(0, 32767)] * 3)),
        ends_us=(ends_low, draw(st.integers(ends_low, 4095))),
    )


@st.composite
def _scene(draw: st.DrawFn, name: str, tracks: list[TrackRecord], lamps: int, switches: int) -> SceneRecord:
    frames = 6 * draw(st.integers(1, 8))
    loop = draw(st.booleans())
    streams = []
    for track in tracks:
        if draw(st.booleans()):
            streams.append(None)
            continue
        spans = frames // track.knot_frames
        value = st.integers(track.low, track.high)
        if loop:
            points = draw(st.lists(value, min_size=spans, max_size=spans))
        else:
            inner = max(0, spans - 3)
            ends = [track.rest] * 3
            points = ends + draw(st.lists(value, min_size=inner, max_size=inner)) + ends
            points = points[: spans + 3] if spans < 3 else points
        streams.append(encode_track(np.array(points, dtype=np.int64), track.rest, loop))
    other = st.none() | st.binary(min_size=1, max_size=6)
    return SceneRecord(
        name=name,
        frames=frames,
        loop=loop,
        fade_in_frames=6 * draw(st.integers(0, 20)),
        tracks=tuple(streams),
        lamps=tuple(draw(other) for _ in range(lamps)),
        switches=tuple(draw(other) for _ in range(switches)),
    )
