"""From a figure, its plans and its timelines to what the show image holds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Protocol

import numpy as np

from sequencer.errors import Fault, PlanError
from sequencer.figure.expanders import ends_margin_us
from sequencer.figure.model import Figure
from sequencer.kept import Kept
from sequencer.motion.model import TrackPlan, TrackSpec
from sequencer.tables.extra_expanders import ExpanderRecord, expanders_extra
from sequencer.tables.lamp_channels import lamp_channels, lamp_records, lamp_streams
from sequencer.tables.model import (
    COMMON_FRAMES,
    FRAME_US,
    LARGEST_COUNTS,
    LONGEST_SCENE,
    Extra,
    InputRecord,
    SceneRecord,
    ShowImage,
    SwitchRecord,
    TrackRecord,
    Transition,
)
from sequencer.tables.rice import encode_track
from sequencer.tables.streams import encode_switch, frames_from_s
from sequencer.tables.transitions import TransitionTable
from sequencer.timeline.model import Shortfall, Timeline

#: One servo after the other gets its first pulse, so that they don't draw their start current at once.
STAGGER_FRAMES = 6
#: Outputs stay dead this long after reset: the supply settles, and a loader's blinking is over.
BOOT_FRAMES = 25

#: The plans of a show: scene -> track -> plan, tracks in the image's order.
Plans = Mapping[str, Mapping[str, TrackPlan]]


class TriggerPolicy(Protocol):
    """What an input plays (see :mod:`sequencer.event.policy`)."""

    @property
    def plays(self) -> str:
        """Scene by name."""

    @property
    def every(self) -> int:
        """Every so many times ``every_plays`` instead; 0 never."""

    @property
    def every_plays(self) -> str | None:
        """The other scene by name."""

    @property
    def cooldown_s(self) -> float:
        """Deaf for this long after an accepted trigger."""


class ShowPolicy(Protocol):
    """What plays when (see :mod:`sequencer.event.policy`)."""

    @property
    def idle(self) -> str | None:
        """The loop played between scenes."""

    @property
    def triggers(self) -> Mapping[str, TriggerPolicy]:
        """By input."""


def assemble(
    figure: Figure,
    specs: Mapping[str, TrackSpec],
    plans: Plans,
    timelines: Mapping[str, Timeline],
    policy: ShowPolicy,
    kept: Kept | None = None,
) -> tuple[ShowImage, tuple[tuple[str, Shortfall], ...]]:
    """Everything the player needs, coded; only the transitions are provisional (see :func:`with_table`).

    Args:
        figure: lamps, switches, inputs and servo ends come from it.
        specs: the tracks, in the image's order.
        plans: scene -> track -> plan; a track without a plan stays at rest.
        timelines: the scenes in the image's order, for lengths, lamps and switches.
        policy: idle scene and triggers, scenes by name.
        kept: spares coding what was coded before.

    Returns:
        The contents, and the ``sync`` shortfalls of switches that cannot act on time, each with its scene.

    Raises:
        PlanError: a number that the image cannot hold, or tracks of different servo frames.
    """
    _check_counts(figure, len(specs), len(timelines))
    frames_us = {spec.frame_us for spec in specs.values()} or {FRAME_US}  # a figure may have no servo
    if len(frames_us) > 1:
        raise PlanError(
            Fault(
                "the servos ask for different frames",
                quantity="frame_hz",
                value=" and ".join(f"{1e6 / item:g}" for item in sorted(frames_us)),
                limit="one for all",
                remedy="give every servo the frame_hz of the slowest",
            )
        )
    frame_us = frames_us.pop()
    late: list[tuple[str, Shortfall]] = []
    scenes = []
    for name, timeline in timelines.items():
        record, missed = _scene(figure, specs, plans.get(name, {}), timeline, frame_us, kept or Kept())
        scenes.append(record)
        late += [(name, item) for item in missed]
    show = ShowImage(
        figure=figure.name,
        board=figure.board.kind,
        frame_us=frame_us,
        settle_frames=COMMON_FRAMES,
        stop_frames=COMMON_FRAMES,
        stagger_frames=STAGGER_FRAMES,
        boot_frames=BOOT_FRAMES,
        tracks=tuple(_track(figure, spec) for spec in specs.values()),
        lamps=lamp_records(figure),
        switches=tuple(
            SwitchRecord(
                *(item.name, item.pin, item.active_low),
                0 if item.max_on_s is None else _u16(item.max_on_s, frame_us, f"max_on_ms of {item.name}"),
            )
            for item in figure.switches.values()
        ),
        inputs=_inputs(figure, policy, frame_us),
        extras=_expanders(figure),
        scenes=tuple(scenes),
        idle=policy.idle,
        transitions=((Transition(COMMON_FRAMES, 0),) * (len(scenes) + 1),)
        * sum(scene.loop for scene in scenes),
    )
    return show, tuple(late)


def with_table(contents: ShowImage, table: TransitionTable) -> ShowImage:
    """The same show with the transitions that were proven on it."""
    order = [*(scene.name for scene in contents.scenes), None]
    return replace(
        contents,
        settle_frames=table.settle_frames,
        stop_frames=table.stop_frames,
        scenes=tuple(
            replace(scene, fade_in_frames=table.fade_in.get(scene.name, 0)) for scene in contents.scenes
        ),
        transitions=tuple(tuple(table.rows[loop.name][to] for to in order) for loop in contents.loops),
    )


def _check_counts(figure: Figure, tracks: int, scenes: int) -> None:
    counts = {
        "tracks": tracks,
        "lamps": len(lamp_channels(figure)),
        "switches": len(figure.switches),
        "inputs": len(figure.inputs),
        "scenes": scenes,
    }
    for what, count in counts.items():
        if count > LARGEST_COUNTS[what]:
            raise PlanError(
                Fault(
                    f"there are more {what} than a player keeps track of",
                    quantity=what,
                    value=str(count),
                    limit=str(LARGEST_COUNTS[what]),
                    remedy="spread the show over two boards",
                )
            )


def _expanders(figure: Figure) -> tuple[Extra, ...]:
    records = [
        ExpanderRecord(
            item.address,
            item.serves,
            None if item.oscillator_mhz is None else round(1000 * item.oscillator_mhz),
        )
        for item in figure.expanders.values()
    ]
    extra = expanders_extra(records, figure.board.i2c_khz)
    return () if extra is None else (extra,)


def _track(figure: Figure, spec: TrackSpec) -> TrackRecord:
    servo = figure.servos[spec.servo]
    low, high = servo.pulse_us if servo.ends_us is None else servo.ends_us
    # What an expander makes of a pulse may be this much longer or shorter: its ends hold all the same.
    margin = ends_margin_us(figure, servo)
    return TrackRecord(
        name=spec.name,
        pin=spec.pin,
        knot_frames=spec.knot_frames,
        lsb_exponent=spec.lsb_exponent,
        origin_us=spec.origin_us,
        rest=spec.rest,
        parked=spec.parked,
        low=spec.low,
        high=spec.high,
        bounds=spec.bounds,
        ends_us=(math.ceil(low + margin), math.floor(high - margin)),
    )


def _inputs(figure: Figure, policy: ShowPolicy, frame_us: int) -> tuple[InputRecord, ...]:
    records = []
    for item in figure.inputs.values():
        trigger = policy.triggers.get(item.name)
        records.append(
            InputRecord(
                name=item.name,
                pin=item.pin,
                active_low=item.active_low,
                pull_up=item.pull_up,
                debounce=min(255, max(1, math.ceil(item.debounce_s * 6e6 / frame_us - 1e-9))),
                cooldown_frames=_u16(trigger.cooldown_s, frame_us, f"cooldown_s of {item.name}")
                if trigger
                else 0,
                scene=trigger.plays if trigger else None,
                nth=trigger.every if trigger else 0,
                nth_scene=trigger.every_plays if trigger else None,
                kind=item.kind,
            )
        )
    return tuple(records)


def _scene(
    figure: Figure,
    specs: Mapping[str, TrackSpec],
    plans: Mapping[str, TrackPlan],
    timeline: Timeline,
    frame_us: int,
    kept: Kept,
) -> tuple[SceneRecord, tuple[Shortfall, ...]]:
    frames = frames_from_s(timeline.duration_s, frame_us)
    if frames > LONGEST_SCENE:
        raise PlanError(
            Fault(
                f"scene {timeline.scene} is too long for the player's clock",
                quantity="length",
                value=f"{timeline.duration_s:g} s",
                limit=f"{LONGEST_SCENE * frame_us * 1e-6:g} s",
                remedy="split the scene",
            )
        )
    late: list[Shortfall] = []
    try:
        tracks = tuple(_points(plans.get(name), frames, kept) for name in specs)
        lamps = lamp_streams(figure, timeline.lamps, frames, frame_us)
        switches = []
        for name, switch in figure.switches.items():
            steps = timeline.switches.get(name, ())
            stream, missed = encode_switch(steps, frames, frame_us, switch.lead_s, name)
            switches.append(stream)
            late += missed
    except ValueError as error:
        raise PlanError(
            Fault(
                f"scene {timeline.scene} cannot be stored: {error}",
                remedy="split the scene, or move its cues apart",
            )
        ) from error
    record = SceneRecord(
        *(timeline.scene, frames, timeline.loop, COMMON_FRAMES if timeline.loop else 0),
        *(tracks, lamps, tuple(switches)),
    )
    return record, tuple(late)


def _points(plan: TrackPlan | None, frames: int, kept: Kept) -> bytes | None:
    if plan is None or bool(np.all(plan.points == plan.spec.rest)):
        return None
    spans = len(plan.points) - (0 if plan.loop else 3)
    if spans * plan.spec.knot_frames != frames:
        raise ValueError(f"track {plan.spec.name} has {spans} spans, which is not the scene's length")
    points, rest, loop = plan.points, plan.spec.rest, plan.loop
    return kept.of(("stream", points.tobytes(), rest, loop), lambda: encode_track(points, rest, loop))


def _u16(time_s: float, frame_us: int, what: str) -> int:
    frames = frames_from_s(time_s, frame_us)
    if frames > 65535:
        raise PlanError(
            Fault(
                f"{what} is too long to be stored",
                value=f"{time_s:g} s",
                limit=f"{65535 * frame_us * 1e-6:g} s",
                remedy="choose a shorter time",
            )
        )
    return max(1, frames) if time_s > 0 else 0
