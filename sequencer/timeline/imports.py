"""Scores in a scene: imported stretches have their axes to themselves, lamps and switches mix with cues."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, SceneError
from sequencer.figure.model import Figure
from sequencer.timeline.axes import Axes
from sequencer.timeline.curve import Samples
from sequencer.timeline.lights import LampCues, SwitchCues
from sequencer.timeline.model import Accent, Sampled, Shortfall
from sequencer.timeline.say import angle_words
from sequencer.timeline.scene import Cue, Scene, ScoreUse
from sequencer.timeline.score import Score, read_score
from sequencer.timeline.words import remedy_for
from sequencer.units import deg_from_rad, rad_from_deg


@dataclass
class _Axis:
    """The stretches of one axis in order; those before ``entered`` have taken it over."""

    windows: list[tuple[Samples, ScoreUse]] = field(default_factory=list)
    entered: int = 0


class Imports:
    """Every score of a scene, read and laid out in time; ``end_s`` is when the last of them ends."""

    def __init__(self, scene: Scene, figure: Figure, axes: Axes, faults: list[Fault]) -> None:
        self.scene = scene
        self.figure = figure
        self.axes = axes
        self.faults = faults
        self.end_s = 0.0
        self._axes = {name: _Axis() for name in figure.axes}

    def read(self, lamps: Mapping[str, LampCues], switches: Mapping[str, SwitchCues]) -> None:
        """Read all scores; lamps and switches get their steps at once, axes when :meth:`enter` says so."""
        for use in self.scene.scores:
            score = self._score(use)
            if score is not None:
                self._lay(score, use)
                self._lamps(score, use, lamps)
                self._switches(score, use, switches)
        for axis in self._axes.values():
            axis.windows.sort(key=lambda item: item[0].start_s)

    def enter(self, name: str, until_s: float) -> None:
        """Let the stretches that begin by ``until_s`` take the axis over."""
        axis = self._axes[name]
        while axis.entered < len(axis.windows):
            samples, use = axis.windows[axis.entered]
            if samples.start_s > until_s:
                break
            if axis.entered and axis.windows[axis.entered - 1][0].end_s > samples.start_s:
                self.faults.append(
                    self.scene.fault(f"two scores move {name} at the same time", use.line, use.column,
                                     len(use.path) + 2, remedy="begin the second when the first has ended")
                )  # fmt: skip
            self.axes.take(name, samples, use.line)
            axis.entered += 1

    def refuse(self, name: str, time_s: float, cue: Cue) -> None:
        """Note a fault when the axis is a score's at the time of ``cue``."""
        self.enter(name, time_s)
        axis = self._axes[name]
        if axis.entered == 0:
            return
        samples, use = axis.windows[axis.entered - 1]
        if time_s < samples.end_s:
            self.faults.append(
                self.scene.fault(
                    f"{name} is moved by {use.path} at this time", cue.line, cue.column,
                    limit=f"from {samples.start_s:.4g} s to {samples.end_s:.4g} s",
                    remedy="move this cue out of that time, or another axis",
                )
            )  # fmt: skip

    def sampled(self, name: str) -> tuple[Sampled, ...]:
        """Where the axis follows a score."""
        bounds = self.axes.runs[name].bounds
        kept = (bounds.velocity, bounds.acceleration, bounds.jerk)
        return tuple(
            Sampled(samples.start_s, samples.end_s, use.line, use.path, kept)
            for samples, use in self._axes[name].windows
        )

    def _score(self, use: ScoreUse) -> Score | None:
        try:
            score = read_score(Path(self.scene.file).parent / use.path)
        except SceneError as error:
            self.faults += [
                self.scene.fault(f"the score `{use.path}` cannot be used: {error.faults[0].message}",
                                 use.line, use.column, len(use.path) + 2, remedy=error.faults[0].remedy),
                *(fault for fault in error.faults if fault.line is not None),
            ]  # fmt: skip
            return None
        tables = {"axis": self.figure.axes, "lamp": self.figure.lamps, "switch": self.figure.switches}
        for kind, names in (("axis", score.axes), ("lamp", score.lamps), ("switch", score.switches)):
            for name in names:
                if name not in tables[kind]:
                    self.faults.append(
                        Fault(f"this figure has no {kind} `{name}`", use.path, score.lines[name],
                              remedy=remedy_for(name, tables[kind]))
                    )  # fmt: skip
        return score

    def _lay(self, score: Score, use: ScoreUse) -> None:
        for name, (times, angles) in score.axes.items():
            if name not in self.figure.axes:
                continue
            values = self._clamped(name, times, np.radians(angles), use)
            samples = Samples(use.at_s, times, values)
            self._axes[name].windows.append((samples, use))
            self.end_s = max(self.end_s, samples.end_s)
            low, high = self.figure.axes[name].range_rad
            self.axes.runs[name].accents += [
                Accent(use.at_s + time_s, min(max(rad_from_deg(angle), low), high), False, use.line)
                for time_s, angle in score.accents.get(name, ())
            ]

    def _lamps(self, score: Score, use: ScoreUse, lamps: Mapping[str, LampCues]) -> None:
        for name, points in score.lamps.items():
            for point in points if name in lamps else ():
                lamps[name].go(use.at_s + point.time_s, point.level, point.over_s)
                self.end_s = max(self.end_s, use.at_s + point.time_s + point.over_s)

    def _switches(self, score: Score, use: ScoreUse, switches: Mapping[str, SwitchCues]) -> None:
        for name, events in score.switches.items():
            for time_s, what in events if name in switches else ():
                switches[name].asked.append((use.at_s + time_s, what, use.line))
                strike_s = self.figure.switches[name].strike_s if what == "strike" else 0.0
                self.end_s = max(self.end_s, use.at_s + time_s + strike_s)

    def _clamped(
        self, name: str, times: NDArray[np.float64], values: NDArray[np.float64], use: ScoreUse
    ) -> NDArray[np.float64]:
        """A score's angles within the axis's range; says so once when that changes them."""
        low, high = self.figure.axes[name].range_rad
        beyond = np.maximum(low - values, values - high)
        worst = int(np.argmax(beyond))
        if beyond[worst] > 1e-9:
            edge, asked = low if values[worst] < low else high, float(values[worst])
            self.axes.shortfalls.append(
                Shortfall(
                    "range", name, use.at_s + float(times[worst]), use.line, deg_from_rad(asked),
                    deg_from_rad(edge), "deg",
                    f"line {use.line}: {use.path} asks {angle_words(self.figure.axes[name], asked)}, "
                    f"beyond the range",
                    f"keep it within {deg_from_rad(low):g} to {deg_from_rad(high):g} deg: "
                    f"import it again with that range",
                )
            )  # fmt: skip
        return np.clip(values, low, high)
