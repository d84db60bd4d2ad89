"""From facts to findings: what the author should hear about a played show, with a remedy each."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from sequencer.check.light import FLASHES_PER_SECOND, Flashes, count_flashes, count_red_flashes
from sequencer.check.played import PlayedScene
from sequencer.errors import Fault
from sequencer.figure.colours import Colour
from sequencer.finding import Code, Finding
from sequencer.tables.room import Room
from sequencer.timeline.model import Shortfall


def from_shortfall(scene: str, item: Shortfall) -> Finding:
    """A wish that cannot be kept, as a finding."""
    return Finding(
        code=item.code,
        severity=item.severity,
        scene=scene,
        channel=item.channel,
        time_s=item.time_s,
        value=item.value,
        limit=item.limit,
        unit=item.unit,
        message=item.message,
        remedy=item.remedy,
    )


def from_note(scene: str, note: str) -> Finding:
    """What was changed or added so that the scene can be played, as a finding that only informs."""
    return Finding("reach", "note", scene, None, None, None, None, None, note, None)


#: What a refused motion was about -> the finding's code.
_CODES: Mapping[str, Code] = {
    "position": "range",
    "velocity": "rate",
    "acceleration": "acceleration",
    "jerk": "jerk",
    "torque": "torque",
    "show image": "memory",
}


def from_fault(fault: Fault) -> Finding:
    """Why a show cannot be built, as a finding."""
    quantity = fault.quantity or ""
    code: Code = next((code for word, code in _CODES.items() if quantity.startswith(word)), "reach")
    return Finding(
        code=code,
        severity="error",
        scene=None,
        channel=None,
        time_s=None,
        value=None,
        limit=None,
        unit=None,
        message=f"{fault.message} ({fault.value}, limit {fault.limit})" if fault.limit else fault.message,
        remedy=fault.remedy,
    )


def light(played: Mapping[str, PlayedScene], frame_s: float) -> Iterator[Finding]:
    """Scenes that flash more often than WCAG 2.3.1 lets a screen flash; all lamps count together."""
    for scene in played.values():
        if scene.lamp_duty.shape[1] != 0:
            worst = count_flashes(_with_seam(scene, scene.lamp_duty), frame_s)
            yield from _flashing(
                scene,
                worst,
                frame_s,
                unit="flashes in one second",
                message=f"the lamps flash {worst.worst_count} times in the second from {worst.from_s:.2f} s; "
                "flashing light can harm photosensitive visitors",
                remedy="lower the flicker's depth or the lamp's level beneath it, or slow it; "
                "and put a notice at the entrance",
            )


def red(
    played: Mapping[str, PlayedScene],
    lamps: Sequence[Sequence[int]],
    colours: Sequence[Colour],
    frame_s: float,
) -> Iterator[Finding]:
    """Scenes with more red flashes than WCAG 2.3.1 allows.

    ``lamps`` has each lamp's columns, one or three; ``colours`` what a lamp of one column shows.
    """
    for scene in played.values():
        if not len(scene.lamp_duty):
            continue
        light = [
            scene.lamp_duty[:, list(at)]
            if len(at) == 3
            else scene.lamp_duty[:, list(at)] * np.array(shown)[np.newaxis, :]
            for at, shown in zip(lamps, colours, strict=True)
        ]
        worst = count_red_flashes([_with_seam(scene, item) for item in light], frame_s)
        yield from _flashing(
            scene,
            worst,
            frame_s,
            unit="red flashes in one second",
            message=f"lamps flash red {worst.worst_count} times in the second from {worst.from_s:.2f} s; "
            "red flashes are the most dangerous ones for photosensitive visitors",
            remedy="choose another colour, lower the flicker's depth or slow it; "
            "and put a notice at the entrance",
        )


def _with_seam(scene: PlayedScene, light: NDArray[np.float64]) -> NDArray[np.float64]:
    """What each frame shows; a loop twice, since its last second runs into its first."""
    return np.tile(light, (2 if scene.loop else 1, 1))


def _flashing(
    scene: PlayedScene, worst: Flashes, frame_s: float, *, unit: str, message: str, remedy: str
) -> Iterator[Finding]:
    if worst.worst_count > FLASHES_PER_SECOND:
        yield Finding(
            code="flash",
            severity="warning",
            scene=scene.scene,
            channel=None,
            time_s=round(worst.from_s % (scene.frames * frame_s), 3),
            value=float(worst.worst_count),
            limit=float(FLASHES_PER_SECOND),
            unit=unit,
            message=message,
            remedy=remedy,
        )


def unguarded(scene: str, why: str) -> Finding:
    """A scene that the stall guard knows no currents of."""
    return Finding(
        code="supply",
        severity="note",
        scene=scene,
        channel=None,
        time_s=None,
        value=None,
        limit=None,
        unit=None,
        message=f"only the ceilings guard this scene against a stall: {why}",
        remedy=f"quarterjack trigger {scene} --learn, then flash",
    )


def memory(room: Room, board_title: str) -> Iterator[Finding]:
    """An image that does not fit, or leaves little."""
    if room.bytes_free < 0:
        yield Finding(
            code="memory",
            severity="error",
            scene=None,
            channel=None,
            time_s=None,
            value=float(room.image_bytes),
            limit=float(room.limit_bytes),
            unit="bytes",
            message=f"the show is {-room.bytes_free} bytes too big for the {board_title}",
            remedy=f"shorten scenes by {-room.seconds_left:.0f} s in all, leave one out, "
            "or add an I2C memory (memory_kb = 64 under [board])",
        )


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Errors first, then warnings, then notes; by scene and time within."""
    rank = {"error": 0, "warning": 1, "note": 2}
    return tuple(
        sorted(findings, key=lambda item: (rank[item.severity], item.scene or "", item.time_s or 0.0))
    )
