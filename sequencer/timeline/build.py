"""Scene and figure to :class:`Timeline`: names resolved, times fixed, wishes sampled."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sequencer.errors import Fault, SceneError
from sequencer.figure.model import Figure, Limits
from sequencer.timeline.axes import Axes, clock
from sequencer.timeline.curve import Samples
from sequencer.timeline.lights import LampCues, SwitchCues, level
from sequencer.timeline.model import GRID_S, PLAN_SHARE, AxisWish, LampStep, Shortfall, Timeline
from sequencer.timeline.parse import MAX_LENGTH_S
from sequencer.timeline.rides import Ride, add_ride, overlap_note
from sequencer.timeline.scene import (
    Angle,
    Cue,
    Flicker,
    Glow,
    Manner,
    Move,
    PoseMove,
    Scene,
    ScoreUse,
    Strike,
    Sway,
    Turned,
    Unsaid,
    Word,
)
from sequencer.timeline.score import read_score
from sequencer.timeline.words import did_you_mean, remedy_for
from sequencer.units import deg_from_rad, rad_from_deg

#: Scene lengths are whole multiples of this: six servo frames, where every track has a knot.
COMMON_KNOT_S = 0.12
_ALL_LAMPS = "lamps"


def build_timeline(
    scene: Scene, figure: Figure, limits: Mapping[str, Limits], share: float = PLAN_SHARE
) -> Timeline:
    """What the author asks of each channel, and what the axes can keep of it.

    ``limits`` are the figure's full limits by axis; moves are stretched to ``share`` of what the
    certificate will allow (limits / (1+e)^m, e the board's clock error). Raises :class:`SceneError`
    for names that the figure does not have and times that cannot be, all of them at once.
    """
    return _Builder(scene, figure, limits, share).build()


class _Builder:
    def __init__(self, scene: Scene, figure: Figure, limits: Mapping[str, Limits], share: float) -> None:
        self.scene = scene
        self.figure = figure
        self.axes = Axes(figure, limits, share, scene.length_s)
        self.lamps = {name: LampCues() for name in figure.lamps}
        self.switches = {name: SwitchCues(switch) for name, switch in figure.switches.items()}
        self.rides: list[Ride] = []
        self.imported: dict[str, list[tuple[Samples, ScoreUse]]] = {name: [] for name in figure.axes}
        self.faults: list[Fault] = []
        self.end_s = 0.0
        self.last_line: int | None = None

    def build(self) -> Timeline:
        for use in self.scene.scores:
            self._import(use)
        for windows in self.imported.values():
            windows.sort(key=lambda item: item[0].start_s)
        self._run_cues()
        for name in self.figure.axes:
            self._enter_imported(name, math.inf)
        if self.faults:
            raise SceneError.from_faults(self.faults)
        length_s = self.scene.length_s
        rest_s = self.axes.close(self.end_s, length_s, self.scene.loop)
        needed_s = max(self.end_s, rest_s, COMMON_KNOT_S)
        if length_s is not None and needed_s > length_s + 1e-6:
            self.axes.notes.append(self._too_long(length_s, needed_s))
        exact_s = max(needed_s, length_s or 0.0)
        knots = math.ceil(exact_s / COMMON_KNOT_S - 1e-6)
        duration_s = round(knots * COMMON_KNOT_S, 9)
        if duration_s > exact_s + 1e-6:
            written = length_s is not None and exact_s == length_s
            shorter = f"; {round((knots - 1) * COMMON_KNOT_S, 9):g} s would be one too" if written else ""
            self.axes.notes.append(
                f"the scene lasts {round(exact_s, 3):g} s{' as written' if written else ''}; rounded up to "
                f"{duration_s:g} s, a whole number of 0.12 s{shorter}"
            )
        if duration_s > MAX_LENGTH_S:
            raise SceneError(
                self.scene.fault("the scene is too long", 1, value=f"{duration_s:g} s",
                                 limit=f"{MAX_LENGTH_S:g} s", remedy="split it")
            )  # fmt: skip
        self._check_sounds()
        return self._sampled(duration_s)

    def _check_sounds(self) -> None:
        for sound in self.scene.sounds:
            if not (Path(self.scene.file).parent / sound.path).is_file():
                self.axes.notes.append(
                    f"line {sound.line}: there is no sound file `{sound.path}` in the show"
                )

    def _too_long(self, length_s: float, needed_s: float) -> str:
        """Why a scene lasts longer than its ``loop`` or ``length`` line says."""
        needs = f"the scene needs {needed_s:.2f} s, longer than the {length_s:g} s written"
        if self.last_line is not None and self.end_s > length_s + 1e-6:
            return f"{needs}: line {self.last_line} ends at {clock(self.end_s)}"
        return f"{needs}: after its last cue the axes still have to come home"

    # -- cues ---------------------------------------------------------------------------------

    def _run_cues(self) -> None:
        start_s = end_s = 0.0
        for cue in self.scene.cues:
            time_s = {"at": 0.0, "after": start_s, "then": end_s}[cue.when.kind] + cue.when.value_s
            if time_s < start_s - 1e-9:
                self.faults.append(
                    self.scene.fault(
                        "time goes back: the cue before starts later", cue.line, cue.column,
                        value=f"{time_s:.4g} s", limit=f"{start_s:.4g} s",
                        remedy="put the cues in the order of their times",
                    )
                )  # fmt: skip
                time_s = start_s
            if time_s > MAX_LENGTH_S:
                self.faults.append(
                    self.scene.fault("the scene gets too long here", cue.line, cue.column,
                                     limit=f"{MAX_LENGTH_S:g} s", remedy="split it")
                )  # fmt: skip
                return
            start_s = time_s
            end_s = self._do(cue, time_s)
            if end_s > self.end_s:
                self.end_s, self.last_line = end_s, cue.line

    def _do(self, cue: Cue, time_s: float) -> float:
        """Perform one cue; returns its end as asked."""
        action = cue.action
        if isinstance(action, Move):
            return self._move(cue, time_s, action)
        if isinstance(action, PoseMove):
            return self._pose(cue, time_s, action)
        if isinstance(action, Sway):
            return self._sway(cue, time_s, action)
        if isinstance(action, Glow):
            return self._glow(cue, time_s, action.lamp, action.level, action.over_s)
        if isinstance(action, Flicker):
            for name in self._lamp_names(action.lamp):
                self.lamps[name].steps.append(
                    LampStep(
                        time_s,
                        "flicker",
                        0.0,
                        action.duration_s,
                        action.kind,
                        level(action.depth),
                        action.seed,
                    )
                )
            return time_s + action.duration_s
        if isinstance(action, Strike):
            if self._known(action.switch, self.figure.switches, "switch"):
                switch = self.switches[action.switch.text]
                switch.asked.append((time_s, "strike", cue.line))
                return time_s + switch.switch.strike_s
            return time_s
        if isinstance(action, Unsaid):
            self._unsaid(action)
            return time_s
        return self._turned(cue, time_s, action)

    def _move(self, cue: Cue, time_s: float, action: Move) -> float:
        if not self._known(action.axis, self.figure.axes, "axis"):
            return time_s
        name = action.axis.text
        target = self._angle(name, action.to)
        if target is None:
            return time_s
        return self._go(cue, time_s, {name: target}, action.manner)

    def _pose(self, cue: Cue, time_s: float, action: PoseMove) -> float:
        if action.pose is None:
            targets = {name: axis.home_rad for name, axis in self.figure.axes.items()}
        elif action.pose.text in self.scene.poses:
            targets = {}
            for word, angle in self.scene.poses[action.pose.text].angles:
                if self._known(word, self.figure.axes, "axis"):
                    target = self._angle(word.text, angle)
                    if target is not None:
                        targets[word.text] = target
        elif action.pose.text in self.figure.poses_rad:
            targets = dict(self.figure.poses_rad[action.pose.text])
        else:
            known = [*self.scene.poses, *self.figure.poses_rad, "home"]
            self._unknown(action.pose, "pose", known)
            return time_s
        return self._go(cue, time_s, targets, action.manner)

    def _go(self, cue: Cue, time_s: float, targets: Mapping[str, float], manner: Manner) -> float:
        for name in targets:
            self._enter_imported(name, time_s)
            for samples, use in self.imported[name]:
                if samples.start_s <= time_s < samples.end_s:
                    self.faults.append(
                        self.scene.fault(
                            f"{name} is moved by {use.path} at this time", cue.line, cue.column,
                            limit=f"from {samples.start_s:.4g} s to {samples.end_s:.4g} s",
                            remedy="move this cue out of that time, or another axis",
                        )
                    )  # fmt: skip
        return self.axes.move(time_s, targets, manner, cue.line, cue.lands)

    def _sway(self, cue: Cue, time_s: float, action: Sway) -> float:
        if not self._known(action.axis, self.figure.axes, "axis"):
            return time_s
        if action.duration_s is None and self.scene.length_s is None:
            self.faults.append(
                self.scene.fault("`throughout` needs a scene of known length", cue.line, cue.column,
                                 remedy="write a loop or length line, or for how long it sways")
            )  # fmt: skip
        self.rides.append(Ride(time_s, action, cue.line))
        return time_s + (action.duration_s or 0.0)

    def _glow(self, cue: Cue, time_s: float, lamp: Word, lightness: float, over_s: float) -> float:
        start_s = time_s - over_s if cue.lands else time_s
        if start_s < -1e-9:
            self.faults.append(
                self.scene.fault(
                    "this would have to start before the scene", cue.line, cue.column,
                    value=f"{start_s:.4g} s", limit="0 s",
                    remedy=f"let it land at {over_s:g} s or later, or over {time_s:g} s",
                )
            )  # fmt: skip
        for name in self._lamp_names(lamp):
            self.lamps[name].go(max(0.0, start_s), lightness, over_s)
        return max(0.0, start_s) + over_s

    def _turned(self, cue: Cue, time_s: float, action: Turned) -> float:
        name = action.channel.text
        if name in self.figure.switches:
            if action.over_s is not None:
                self.faults.append(
                    self.scene.fault_at(action.channel, f"{name} is a switch: it goes on or off at once",
                                        remedy="leave `over` out")
                )  # fmt: skip
            self.switches[name].asked.append((time_s, "on" if action.on else "off", cue.line))
            return time_s
        if name in self.figure.lamps or name == _ALL_LAMPS:
            return self._glow(cue, time_s, action.channel, float(action.on), action.over_s or 0.0)
        self._unknown(
            action.channel, "lamp or switch", [*self.figure.lamps, _ALL_LAMPS, *self.figure.switches]
        )
        return time_s

    def _unsaid(self, action: Unsaid) -> None:
        """What to write for a cue that names something without a verb of the language."""
        figure, subject, verb = self.figure, action.subject, action.verb
        name = subject.text
        poses = [*self.scene.poses, *figure.poses_rad]
        if name in figure.axes:
            words = figure.axes[name].words
            can = f"an axis can: {name} {words[0]} 20, {name} {words[1]} 20, {name} home, sways, shakes"
            if verb is not None and verb.text in words:
                end = Word("", verb.line, verb.column + len(verb.text))
                message, remedy = "the line ends too early: the angle is missing", "write a number of degrees"
                remedy += f": {name} {verb.text} 20"
                self.faults.append(self.scene.fault_at(end, message, remedy=remedy))
                return
            guess = did_you_mean(verb.text, words) if verb is not None else None
            can = f"did you mean `{name} {guess} 20`? {can}" if guess else can
        elif name in figure.switches:
            can = "a switch can: on, off, strikes"
        elif name in figure.lamps or name == _ALL_LAMPS:
            can = "a lamp can: on, off, glow to 60%, flicker gutter for 2s"
        else:
            if name in poses:
                message, remedy = f"`{name}` is a pose", f"write: pose {name}"
            else:
                message = f"there is no axis, lamp, switch or pose `{name}`"
                remedy = remedy_for(name, [*figure.axes, *figure.lamps, _ALL_LAMPS, *figure.switches, *poses])
            self.faults.append(self.scene.fault_at(subject, message, remedy=remedy))
            return
        if verb is None:
            message = f"this does not say what `{name}` does"
        else:
            message = f"`{verb.text}` is nothing that `{name}` can do"
        self.faults.append(self.scene.fault_at(verb or subject, message, remedy=can))

    # -- names --------------------------------------------------------------------------------

    def _unknown(self, word: Word, kind: str, known: Iterable[str]) -> None:
        kinds = (
            ("an axis", self.figure.axes),
            ("a lamp", self.figure.lamps),
            ("a switch", self.figure.switches),
        )
        other = next((label for label, table in kinds if word.text in table), None)
        if other is not None:
            message = (
                f"`{word.text}` is {other} of this figure, not {'an' if kind[0] in 'aeiou' else 'a'} {kind}"
            )
        else:
            message = f"this figure has no {kind} `{word.text}`"
        if kind == "pose":
            message = f"there is no pose `{word.text}`"
        self.faults.append(self.scene.fault_at(word, message, remedy=remedy_for(word.text, known)))

    def _known(self, word: Word, table: Mapping[str, object], kind: str) -> bool:
        if word.text in table:
            return True
        self._unknown(word, kind, table)
        return False

    def _lamp_names(self, word: Word) -> list[str]:
        if word.text == _ALL_LAMPS and self.figure.lamps:
            return list(self.figure.lamps)
        if word.text in self.figure.lamps:
            return [word.text]
        self._unknown(word, "lamp", [*self.figure.lamps, _ALL_LAMPS])
        return []

    def _angle(self, name: str, angle: Angle) -> float | None:
        """Radians of a written angle; None (and a fault) when the axis lacks that direction."""
        axis = self.figure.axes[name]
        if angle.degrees is None:
            return axis.home_rad
        if angle.direction is None:
            return rad_from_deg(angle.degrees)
        if angle.direction.text not in axis.words:
            self.faults.append(
                self.scene.fault_at(
                    angle.direction, f"{name} has no direction `{angle.direction.text}`",
                    remedy=remedy_for(angle.direction.text, [*axis.words, "sways", "shakes"]),
                )
            )  # fmt: skip
            return None
        sign = 1.0 if angle.direction.text == axis.words[1] else -1.0
        return rad_from_deg(sign * angle.degrees)

    # -- scores -------------------------------------------------------------------------------

    def _import(self, use: ScoreUse) -> None:
        try:
            score = read_score(Path(self.scene.file).parent / use.path)
        except SceneError as error:
            self.faults += [
                self.scene.fault(f"the score `{use.path}` cannot be used: {error.faults[0].message}",
                                 use.line, use.column, len(use.path) + 2, remedy=error.faults[0].remedy),
                *(fault for fault in error.faults if fault.line is not None),
            ]  # fmt: skip
            return
        tables = {"axis": self.figure.axes, "lamp": self.figure.lamps, "switch": self.figure.switches}
        for kind, names in (("axis", score.axes), ("lamp", score.lamps), ("switch", score.switches)):
            for name in names:
                if name not in tables[kind]:
                    self.faults.append(
                        Fault(f"this figure has no {kind} `{name}`", use.path, score.lines[name],
                              remedy=remedy_for(name, tables[kind]))
                    )  # fmt: skip
        for name, (times, angles) in score.axes.items():
            if name in self.figure.axes:
                values = self._clamped(name, times, np.radians(angles), use)
                self.imported[name].append((Samples(use.at_s, times, values), use))
                self.end_s = max(self.end_s, use.at_s + float(times[-1]))
        for name, points in score.lamps.items():
            for point in points if name in self.lamps else ():
                self.lamps[name].go(use.at_s + point.time_s, point.level, point.over_s)
                self.end_s = max(self.end_s, use.at_s + point.time_s + point.over_s)
        for name, events in score.switches.items():
            for time_s, what in events if name in self.switches else ():
                self.switches[name].asked.append((use.at_s + time_s, what, use.line))
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
            edge = low if values[worst] < low else high
            self._fall_short(
                "range", name, use.at_s + float(times[worst]), use.line, deg_from_rad(float(values[worst])),
                deg_from_rad(edge), "deg",
                f"line {use.line}: {use.path} asks {self.axes.runs[name].words(float(values[worst]))}, "
                f"beyond the range",
                f"keep it within {deg_from_rad(low):g} to {deg_from_rad(high):g} deg: "
                f"import it again with that range",
            )  # fmt: skip
        return np.clip(values, low, high)

    def _enter_imported(self, name: str, until_s: float) -> None:
        """Let the imported stretches that begin by ``until_s`` take the axis over."""
        windows, runs = self.imported[name], self.axes.runs[name]
        for samples, use in windows:
            if samples.start_s > until_s:
                break
            if any(leg is samples for leg in runs.wish.legs):
                continue
            if any(isinstance(leg, Samples) and leg.end_s > samples.start_s for leg in runs.wish.legs):
                self.faults.append(
                    self.scene.fault(f"two scores move {name} at the same time", use.line, use.column,
                                     len(use.path) + 2, remedy="begin the second when the first has ended")
                )  # fmt: skip
            for run in (runs.asked, runs.wish, runs.cured):
                run.take(samples)
            runs.made.clear()  # a score takes its axis over as it comes

    # -- curves -------------------------------------------------------------------------------

    def _sampled(self, duration_s: float) -> Timeline:
        count = round(duration_s / GRID_S) + 1
        axes: dict[str, AxisWish] = {}
        for name, runs in self.axes.runs.items():
            asked, wish = runs.asked.sampled(count), runs.wish.sampled(count)
            for ride in self.rides:
                if ride.sway.axis.text == name:
                    add_ride(ride, runs, asked, wish, (duration_s, self.scene.loop), self.axes)
            if any(ride.sway.axis.text == name for ride in self.rides):
                self.axes.notes += overlap_note(runs, wish)
            np.clip(wish, *runs.axis.range_rad, out=wish)
            if self.scene.loop:
                asked[-1], wish[-1] = asked[0], wish[0]
            axes[name] = AxisWish(name, asked, wish)
        switches = {}
        for name, cues in self.switches.items():
            switches[name], shortfalls, notes = cues.steps(duration_s)
            self.axes.shortfalls += shortfalls
            self.axes.notes += notes
        return Timeline(
            self.scene.name,
            duration_s,
            self.scene.loop,
            axes,
            {name: cues.in_order() for name, cues in self.lamps.items()},
            switches,
            tuple(sorted(self.axes.shortfalls, key=lambda item: (item.time_s, item.line))),
            tuple(self.axes.notes),
        )

    def _fall_short(
        self, code: str, channel: str, time_s: float, line: int, value: float, limit: float, unit: str,
        message: str, remedy: str,
    ) -> None:  # fmt: skip
        self.axes.shortfalls.append(
            Shortfall(code, channel, time_s, line, value, limit, unit, message, remedy)  # type: ignore[arg-type]
        )
