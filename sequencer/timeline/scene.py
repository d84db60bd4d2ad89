"""A scene as it was written: cues with their places in the file, nothing resolved yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from sequencer.errors import Fault


@dataclass(frozen=True)
class Word:
    """One written word and where it stands (1-based), so that a fault can point at it."""

    text: str
    line: int
    column: int


@dataclass(frozen=True)
class When:
    """A cue's time: ``at`` seconds of the scene, ``after`` the previous cue's start, or ``then`` its end."""

    kind: Literal["at", "after", "then"]
    value_s: float = 0.0


@dataclass(frozen=True)
class Manner:
    """How a move goes: a speed word or a duration, and a law word; None leaves the default."""

    speed: str | None = None
    over_s: float | None = None
    law: str | None = None


@dataclass(frozen=True)
class Angle:
    """An angle as written: a direction word with a magnitude, a signed number, or home (neither).

    A direction alone (degrees None) is as far as the axis goes.
    """

    direction: Word | None
    degrees: float | None
    place: Word


@dataclass(frozen=True)
class Move:
    """One axis goes to an angle."""

    axis: Word
    to: Angle
    manner: Manner


@dataclass(frozen=True)
class PoseMove:
    """Every axis that the pose names goes there; ``pose`` None is home, all axes."""

    pose: Word | None
    manner: Manner


@dataclass(frozen=True)
class Sway:
    """To and fro about the move beneath, ``amplitude_deg`` either way; ``duration_s`` None: throughout."""

    axis: Word
    kind: Literal["sways", "shakes"]
    amplitude_deg: float
    duration_s: float | None
    period_s: float | None


@dataclass(frozen=True)
class Stands:
    """At this time the axis *is* at an angle, whatever else moves it."""

    axis: Word
    at: Angle


@dataclass(frozen=True)
class Glow:
    """A lamp (or ``lamps``) goes to a lightness 0..1 over a duration; 0 is at once.

    ``colour`` is a word of the colours or ``#RRGGBB``.
    """

    lamp: Word
    level: float
    over_s: float
    colour: Word | None = None


@dataclass(frozen=True)
class Flicker:
    """A lamp wavers below its level."""

    lamp: Word
    kind: Literal["gutter", "failing"]
    duration_s: float
    depth: float
    seed: int


@dataclass(frozen=True)
class Turned:
    """A lamp or a switch goes on or off (which of the two, the figure knows)."""

    channel: Word
    on: bool
    over_s: float | None


@dataclass(frozen=True)
class Strike:
    """A switch goes on for the time of one strike."""

    switch: Word


@dataclass(frozen=True)
class Unsaid:
    """A cue that names something and does not say what it does; always a fault, which needs the figure."""

    subject: Word
    verb: Word | None


Action = Unsaid | Move | PoseMove | Sway | Stands | Glow | Flicker | Turned | Strike


@dataclass(frozen=True)
class Cue:
    """One line of the scene: when, whether that names the arrival, and what."""

    when: When
    lands: bool
    action: Action
    line: int
    column: int


@dataclass(frozen=True)
class Pose:
    """A named set of angles, axis by axis."""

    name: Word
    angles: tuple[tuple[Word, Angle], ...]


@dataclass(frozen=True)
class Sound:
    """A sound file that begins at ``at_s``."""

    path: str
    at_s: float
    line: int


@dataclass(frozen=True)
class ScoreUse:
    """A score file (imported wishes) that begins at ``at_s``."""

    path: str
    at_s: float
    line: int
    column: int


@dataclass(frozen=True)
class Scene:
    """One scene file. ``lines`` are its source lines, for faults found later; ``pace`` None says nothing."""

    name: str
    file: str
    loop: bool
    length_s: float | None
    poses: Mapping[str, Pose]
    cues: tuple[Cue, ...]
    sounds: tuple[Sound, ...]
    scores: tuple[ScoreUse, ...]
    lines: tuple[str, ...]
    pace: Literal["quiet", "full"] | None = None

    def fault(
        self,
        message: str,
        line: int,
        column: int = 1,
        width: int = 1,
        *,
        value: str | None = None,
        limit: str | None = None,
        remedy: str | None = None,
    ) -> Fault:
        """A fault that points into this scene's text."""
        text = self.lines[line - 1] if 0 < line <= len(self.lines) else None
        return Fault(message, self.file, line, column, width, text, value=value, limit=limit, remedy=remedy)

    def fault_at(
        self, word: Word, message: str, *, limit: str | None = None, remedy: str | None = None
    ) -> Fault:
        """A fault that points at ``word``."""
        return self.fault(message, word.line, word.column, max(1, len(word.text)), limit=limit, remedy=remedy)
