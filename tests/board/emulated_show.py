"""A show for the emulated board, and how what its pins do is set against what the core says.

Nothing here knows one particular show: :func:`play_on_board`, :func:`check_against_core` and
:func:`check_against_spline` take any image.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from sequencer.board.emulated import EmulatedUno
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.link import Link
from sequencer.player.player import Played, Player
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
from sequencer.tables.streams import encode_lamp, encode_switch
from sequencer.timeline.model import LampStep, SwitchStep

FRAME = 320_000
#: Cycles from a slot's start to its first rise (pulses.c).
QUIET = 1200
#: Control points of every scene and track, as TrackPlan holds them.
Points = Mapping[str, Mapping[str, NDArray[np.int64]]]

SERVO_PINS = (2, 4, 7, 8, 9, 10, 14, 15, 16, 17, 18, 12)
BEAM = 19


def smooth_points(rng: np.random.Generator, spans: int, rest: int, size: int) -> NDArray[np.int64]:
    """A scene of ``spans`` spans that wanders by ``size`` LSB and begins and ends at rest."""
    points = np.full(spans + 3, rest, dtype=np.int64)
    x = np.arange(spans - 3) / max(1, spans - 4)
    wander = sum(rng.normal() * np.sin(np.pi * k * x) for k in range(1, 9))
    points[3:-3] = np.round(rest + size * np.sin(np.pi * x) ** 2 * wander / 3)
    return points


def cyclic_points(rng: np.random.Generator, spans: int, rest: int, size: int) -> NDArray[np.int64]:
    """A loop of ``spans`` spans that sways by ``size`` LSB."""
    at = 2 * np.pi * np.arange(spans) / spans
    sway = sum(rng.normal() * np.sin(k * at + rng.uniform(0, 6)) for k in range(1, 4))
    return np.round(rest + size * sway / 2).astype(np.int64)


def made_show(
    servo_pins: Sequence[int] = SERVO_PINS, seed: int = 1, switch_pin: int | None = None
) -> tuple[ShowImage, Points]:
    """Servos on ``servo_pins``, lamps on D3, D5, D6 and D11, a beam on A5: ``idle``, ``greet``, ``storm``."""
    rng = np.random.default_rng(seed)
    tracks = tuple(
        TrackRecord(
            name=f"t{index}",
            pin=pin,
            knot_frames=(1, 2, 3, 6)[index % 4],
            lsb_exponent=(2, 3, 4, 5)[index % 4],
            origin_us=1500 + 7 * index,
            rest=10 * index,
            parked=40 + 9 * index,
            low=-30000,
            high=30000,
            bounds=(32767, 32767, 32767),
            ends_us=(600, 2400),
        )
        for index, pin in enumerate(servo_pins)
    )
    lamps = (
        LampRecord("left", 5, False, 20),
        LampRecord("right", 6, False, 0),
        LampRecord("low", 3, True, 100),
        LampRecord("far", 11, False, 200),
    )
    lamp_steps = {
        "left": (LampStep(0.5, "set", 0.5), LampStep(2.0, "flicker", 0, 1.0, "failing", 0.3, 7)),
        "right": (LampStep(0.2, "ramp", 1.0, 2.0), LampStep(3.0, "ramp", 0.0, 0.4)),
        "low": (LampStep(0.1, "flicker", 0, 3.0, "gutter", 0.4, 9),),
        "far": (LampStep(0.0, "set", 0.0),),
    }
    switches = () if switch_pin is None else (SwitchRecord("bell", switch_pin, True, 20),)
    points: dict[str, dict[str, NDArray[np.int64]]] = {}
    scenes = []
    for name, frames, loop in (("idle", 60, True), ("greet", 240, False), ("storm", 120, False)):
        points[name] = {}
        for track in tracks:
            size = (300 if loop else 600) << (track.lsb_exponent - 2)
            spans = frames // track.knot_frames
            make = cyclic_points if loop else smooth_points
            points[name][track.name] = make(rng, spans, track.rest, size // (2 if name == "storm" else 1))
        steps = lamp_steps if name == "greet" else {}
        bell = (
            (SwitchStep(1.0, True), SwitchStep(1.2, False), SwitchStep(2.0, True)) if name == "greet" else ()
        )
        scenes.append(
            SceneRecord(
                name=name,
                frames=frames,
                loop=loop,
                fade_in_frames=48 if loop else 0,
                tracks=tuple(encode_track(points[name][t.name], t.rest, loop) for t in tracks),
                lamps=tuple(
                    encode_lamp(steps[lamp.name], frames, 20_000) if steps else None for lamp in lamps
                ),
                switches=tuple(_bell(bell, frames) for _ in switches),
            )
        )
    show = ShowImage(
        figure="Bench keeper",
        board="uno",
        frame_us=20_000,
        settle_frames=30,
        stop_frames=30,
        stagger_frames=5,
        boot_frames=10,
        tracks=tracks,
        lamps=lamps,
        switches=switches,
        inputs=(InputRecord("beam", BEAM, True, True, 3, 100, "greet", 2, "storm"),),
        scenes=tuple(scenes),
        idle="idle",
        transitions=(tuple(Transition(24, 6 * i) for i in range(len(scenes) + 1)),),
    )
    return show, points


def _bell(steps: Sequence[SwitchStep], frames: int) -> bytes | None:
    return encode_switch(steps, frames, 20_000, 0.0, "bell")[0] if steps else None


@dataclass
class Stage:
    """A board with a show running on it, and a script of what was asked of it, by frame."""

    port: EmulatedTransport
    link: Link
    image: bytes
    show: ShowImage
    cues: list[tuple[int, int, int]]
    presses: list[tuple[int, int]]

    @property
    def board(self) -> EmulatedUno:
        return self.port.board

    def boundary(self) -> int:
        """The cycle at which some frame began: servo 0 rises QUIET cycles after it, always."""
        return next(e.cycle for e in self.board.edges if e.pin == self.show.tracks[0].pin and e.level) - QUIET

    def frame_now(self) -> int:
        """Frames since that one."""
        return (self.board.cycle - self.boundary()) // FRAME

    def to_mid_frame(self) -> int:
        """Run to 60 % of a frame: its successor is worked out by then, the one after it is not begun."""
        into = (self.board.cycle - self.boundary()) % FRAME
        self.board.run((FRAME * 6 // 10 - into) % FRAME + 1)
        return self.frame_now()

    def to_mid_knot(self) -> int:
        """The same, in the middle of a common knot: a frame earlier or later then plays the same."""
        for _ in range(6):
            at = self.to_mid_frame()
            if core_frames(self.image, self, at + 3, idle_levels(self.show)).phase[at + 2] == 3:
                return at
            self.board.run(FRAME // 2)
        raise AssertionError("the core's knots have no middle")

    def cue(self, scene: str, repeats: int = 1) -> None:
        """Cue a scene over the link; the script records before which frame's calculation it came."""
        at = self.to_mid_frame()
        number = self.show.number(scene)
        sent = self.link.cue(number, repeats)
        assert self.frame_now() == at, "the answer took longer than a frame"
        self.cues.append((at + 2, sent, number))

    def press(self, levels: int) -> None:
        """Drive all input pins to these levels (bit i = input i)."""
        at = self.to_mid_knot()
        for index, record in enumerate(self.show.inputs):
            self.board.drive(record.pin, levels >> index & 1)
        self.presses.append((at + 2, levels))

    def run_s(self, seconds: float) -> None:
        """Let time pass while listening to the link."""
        end = self.port.now_s() + seconds
        while self.port.now_s() < end:
            self.link.reports(min(0.1, end - self.port.now_s()))

    def widths(self) -> NDArray[np.int64]:
        """Captured widths in cycles, (frames, tracks); 0 where a servo had no pulse in a frame."""
        zero = self.boundary()
        found = [self.board.pulses(track.pin) for track in self.show.tracks]
        count = max((pulses[-1].start - zero) // FRAME + 1 for pulses in found if pulses)
        table = np.zeros((count, len(found)), dtype=np.int64)
        for index, pulses in enumerate(found):
            for pulse in pulses:
                row = (pulse.start - zero) // FRAME
                assert row >= 0, "a servo began before the first one"
                assert table[row, index] == 0, "two pulses in one frame"
                table[row, index] = pulse.width
        return table[:-1]  # the last frame may be half captured


def idle_levels(show: ShowImage) -> int:
    """Levels of the input pins while nothing happens."""
    return sum(record.active_low << index for index, record in enumerate(show.inputs))


def start_stage(port: EmulatedTransport, image: bytes, show: ShowImage) -> Stage:
    """Capture all servo pins from a reset on, let the player start, and meet it."""
    port.board.edges.clear()
    port.board.capture(track.pin for track in show.tracks if track.pin < 128)  # the rest is on expanders
    port.reset()
    link = Link(port)
    link.hello()
    link.wait_ready()
    return Stage(port, link, image, show, [], [])


def core_frames(image: bytes, stage: Stage, count: int, levels: int = 0) -> Played:
    """What the core plays under the stage's script; row 0 is the first with a pulse of servo 0.

    ``levels``: the input pins before the first press.
    """
    player = Player(image)
    assert player.open() == 0
    player.sample(levels)
    before = player.play(500)
    first = int(np.flatnonzero(before.pulse_sixteenths[:, 0])[0])
    player.open()
    player.sample(levels)
    player.play(first)
    script = sorted(
        [(at, 0, (cue, scene)) for at, cue, scene in stage.cues]
        + [(at, 1, (levels, 0)) for at, levels in stage.presses]
    )
    parts, done = [], 0
    for at, kind, (one, two) in script:
        if at > count:
            break
        parts.append(player.play(at - done))
        done = at
        if kind == 0:
            assert player.cue(one, two, 1) == 0
        else:
            player.sample(one)
    parts.append(player.play(count - done))
    joined = {field: np.concatenate([getattr(part, field) for part in parts]) for field in JOINED}
    return replace(parts[0], happened=(), **joined)


JOINED = (
    "state",
    "scene",
    "frame",
    "phase",
    "pulse_sixteenths",
    "window",
    "position",
    "velocity",
    "acceleration",
    "jerk",
    "lamp_duty",
    "lamp_lightness_q8",
    "switches",
)


def check_against_core(widths: NDArray[np.int64], core: Played) -> int:
    """Every captured pulse is the core's number within one timer tick; the largest difference."""
    difference = np.abs(widths - core.pulse_sixteenths.astype(np.int64))
    where = np.argwhere(difference > 1)
    assert not len(where), (
        f"{len(where)} pulses differ, first in frame {where[0][0]}, track {where[0][1]}: "
        f"{widths[tuple(where[0])]} for {core.pulse_sixteenths[tuple(where[0])]}"
    )
    return int(difference.max())


def check_against_spline(
    widths: NDArray[np.int64], core: Played, show: ShowImage, points: Points, scene: str
) -> float:
    """Captured pulses of a whole scene against SciPy's B-spline of its control points.

    The core only says in which frames the scene plays by itself. Returns the largest difference in
    sixteenths of a microsecond; it must not exceed one timer tick plus half an LSB.
    """
    number = show.number(scene)
    record = next(item for item in show.scenes if item.name == scene)
    # The core's clock shows the frames played, so the frame itself is one less; 0 has not begun.
    rows = [row for row in np.flatnonzero(core.scene == number) if 1 <= core.frame[row] <= record.frames]
    clocks = [int(core.frame[row]) for row in rows]
    assert clocks[: record.frames] == list(range(1, record.frames + 1)), f"{scene} was not played as a whole"
    # While the loop that was left still fades, it is added to the scene: the core judges those frames.
    left = [scene.name for scene in show.loops].index(show.idle) if show.idle else None
    change = Transition(0, 0) if left is None else show.transitions[left][number]
    clean = max(0, change.fade_frames - change.delay_frames) + 2 * 6
    assert clean < record.frames / 2, "too little of the scene is left to compare"
    worst = 0.0
    for index, track in enumerate(show.tracks):
        knots = points[scene][track.name].astype(float)
        spline = BSpline(np.arange(-3, len(knots) + 1, dtype=float), knots, 3)
        at = np.arange(clean, record.frames) / track.knot_frames
        wanted = 16 * (track.origin_us + spline(at) * 2.0**-track.lsb_exponent)
        difference = np.abs(widths[rows[clean : record.frames], index] - wanted)
        allowed = 1 + 8 * 2.0**-track.lsb_exponent
        assert difference.max() <= allowed, (scene, track.name, int(difference.argmax()), difference.max())
        worst = max(worst, float(difference.max()))
    return worst
