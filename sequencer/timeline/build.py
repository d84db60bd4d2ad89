"""Scene and figure to :class:`Timeline`: names resolved, times fixed, wishes sampled."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from sequencer.errors import Fault, SceneError
from sequencer.figure import colours
from sequencer.figure.colours import Colour
from sequencer.figure.model import Figure, Limits
from sequencer.timeline.accents import finished
from sequencer.timeline.axes import Axes
from sequencer.timeline.homing import bring_home
from sequencer.timeline.imports import Imports
from sequencer.timeline.lights import LampCues, SwitchCues, level
from sequencer.timeline.model import (
    GRID_S,
    PLAN_SHARE,
    QUIET_SHARE,
    Accent,
    AxisWish,
    LampStep,
    Shortfall,
    Timeline,
)
from sequencer.timeline.names import ALL_LAMPS, Names
from sequencer.timeline.parts import MAX_LENGTH_S
from sequencer.timeline.rides import Ride, add_ride, overlap_note
from sequencer.timeline.say import clock
from sequencer.timeline.scene import (
    Cue,
    Flicker,
    Glow,
    Manner,
    Move,
    PoseMove,
    Scene,
    Stands,
    Strike,
    Sway,
    Turned,
    Unsaid,
    Word,
)

#: Scene lengths are whole multiples of this: six servo frames, where every track has a knot.
COMMON_KNOT_S = 0.12
#: Of one channel so many shortfalls are told: nobody reads ten thousand.
MOST_TOLD = 200


def build_timeline(
    scene: Scene,
    figure: Figure,
    limits: Mapping[str, Limits],
    share: float = PLAN_SHARE,
    *,
    idles: bool = False,
) -> Timeline:
    """What the author asks of each channel, and what the axes can keep of it.

    ``limits`` are the figure's full limits by axis; moves are stretched to ``share`` of what the
    certificate will allow (limits / (1+e)^m, e the board's clock error). A scene that ``idles`` between the
    others is quiet unless its ``pace`` line says otherwise. Raises :class:`SceneError`
    for names that the figure does not have and times that cannot be, all of them at once.
    """
    return _Builder(scene, figure, limits, share, idles).build()


class _Builder:
    def __init__(
        self, scene: Scene, figure: Figure, limits: Mapping[str, Limits], share: float, idles: bool
    ) -> None:
        self.scene = scene
        self.figure = figure
        self.quiet = scene.pace == "quiet" or (idles and scene.pace is None)
        self.axes = Axes(figure, limits, share, scene.length_s, QUIET_SHARE if self.quiet else 1.0)
        if self.quiet and scene.pace is None:
            self.axes.notes.append(
                "the idle plans at a quarter of top speed, for quiet; `pace full` in its head allows "
                "all of it, `pace quiet` keeps it without this note"
            )
        self.lamps = {name: LampCues() for name in figure.lamps}
        self.switches = {name: SwitchCues(switch) for name, switch in figure.switches.items()}
        self.rides: list[Ride] = []
        self.faults: list[Fault] = []
        self.names = Names(scene, figure, self.faults)
        self.imports = Imports(scene, figure, self.axes, self.faults)
        self.end_s = 0.0
        self.last_line: int | None = None
        self.moved_s = 0.0  # when the last move as stretched has ended

    def build(self) -> Timeline:
        self.imports.read(self.lamps, self.switches)
        self.end_s = self.imports.end_s
        self._run_cues()
        for name in self.figure.axes:
            self.imports.enter(name, math.inf)
        if self.faults:
            raise SceneError.from_faults(self.faults)
        length_s = self.scene.length_s
        self.moved_s = max((runs.wish.end_s for runs in self.axes.runs.values()), default=0.0)
        rest_s = bring_home(self.axes.runs, self.end_s, length_s, self.scene.loop, self.axes.notes)
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
            pushed = self.moved_s > MAX_LENGTH_S >= self.end_s
            remedy = "its moves are late and push each other: give them time" if pushed else "split it"
            raise SceneError(
                self.scene.fault("the scene is too long", 1, value=f"{duration_s:g} s",
                                 limit=f"{MAX_LENGTH_S:g} s", remedy=remedy)
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
        if self.moved_s > length_s + 1e-6:
            return f"{needs}: moves arrive late and push what follows them"
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
        if isinstance(action, Stands):
            self._stands(cue, time_s, action)
            return time_s
        if isinstance(action, Glow):
            return self._glow(cue, time_s, action.lamp, action.level, action.over_s, self._colour(action))
        if isinstance(action, Flicker):
            for name in self.names.lamp_names(action.lamp):
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
            if self.names.known(action.switch, self.figure.switches, "switch"):
                switch = self.switches[action.switch.text]
                switch.asked.append((time_s, "strike", cue.line))
                return time_s + switch.switch.strike_s
            return time_s
        if isinstance(action, Unsaid):
            self.names.unsaid(action)
            return time_s
        return self._turned(cue, time_s, action)

    def _move(self, cue: Cue, time_s: float, action: Move) -> float:
        if not self.names.known(action.axis, self.figure.axes, "axis"):
            return time_s
        name = action.axis.text
        target = self.names.angle(name, action.to)
        if target is None:
            return time_s
        return self._go(cue, time_s, {name: target}, action.manner)

    def _pose(self, cue: Cue, time_s: float, action: PoseMove) -> float:
        targets = self.names.pose(action)
        if not targets:
            return time_s
        return self._go(cue, time_s, targets, action.manner)

    def _go(self, cue: Cue, time_s: float, targets: Mapping[str, float], manner: Manner) -> float:
        for name in targets:
            self.imports.refuse(name, time_s, cue)
        return self.axes.move(time_s, targets, manner, cue.line, cue.lands)

    def _sway(self, cue: Cue, time_s: float, action: Sway) -> float:
        if not self.names.known(action.axis, self.figure.axes, "axis"):
            return time_s
        if action.duration_s is None and self.scene.length_s is None:
            self.faults.append(
                self.scene.fault("`throughout` needs a scene of known length", cue.line, cue.column,
                                 remedy="write a loop or length line, or for how long it sways")
            )  # fmt: skip
        self.rides.append(Ride(time_s, action, cue.line))
        return time_s + (action.duration_s or 0.0)

    def _stands(self, cue: Cue, time_s: float, action: Stands) -> None:
        if not self.names.known(action.axis, self.figure.axes, "axis"):
            return
        name = action.axis.text
        value = self.names.angle(name, action.at)
        if value is not None:
            runs = self.axes.runs[name]
            runs.accents.append(Accent(time_s, runs.within(value, time_s, cue.line), False, cue.line))

    def _colour(self, glow: Glow) -> Colour | None:
        """The colour of a glow, when it names one that the lamp can show."""
        word = glow.colour
        if word is None:
            return None
        try:
            shares = colours.colour(word.text.strip('"'))
        except ValueError:
            self.faults.append(
                self.scene.fault_at(
                    word,
                    f"there is no colour {word.text}",
                    remedy=f'use one of {", ".join(colours.WORDS)}, or "#ff8c1a"',
                )
            )
            return None
        lamp = self.figure.lamps.get(glow.lamp.text)
        if lamp is not None and not lamp.rgb:
            self.faults.append(
                self.scene.fault_at(
                    word,
                    f"{lamp.name} has one colour",
                    remedy="leave the colour out, or give the lamp red_pin, green_pin and blue_pin",
                )
            )
            return None
        return shares

    def _glow(
        self,
        cue: Cue,
        time_s: float,
        lamp: Word,
        lightness: float,
        over_s: float,
        colour: Colour | None = None,
    ) -> float:
        start_s = time_s - over_s if cue.lands else time_s
        if start_s < -1e-9:
            self.faults.append(
                self.scene.fault(
                    "this would have to start before the scene", cue.line, cue.column,
                    value=f"{start_s:.4g} s", limit="0 s",
                    remedy=f"let it land at {over_s:g} s or later, or over {time_s:g} s",
                )
            )  # fmt: skip
        for name in self.names.lamp_names(lamp):
            self.lamps[name].go(max(0.0, start_s), lightness, over_s, colour)
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
        if name in self.figure.lamps or name == ALL_LAMPS:
            return self._glow(cue, time_s, action.channel, float(action.on), action.over_s or 0.0)
        self.names.unknown(
            action.channel, "lamp or switch", [*self.figure.lamps, ALL_LAMPS, *self.figure.switches]
        )
        return time_s

    # -- curves -------------------------------------------------------------------------------

    def _sampled(self, duration_s: float) -> Timeline:
        count = round(duration_s / GRID_S) + 1
        axes: dict[str, AxisWish] = {}
        for name, runs in self.axes.runs.items():
            asked, wish = runs.asked.sampled(count), runs.wish.sampled(count)
            beneath = wish.copy() if runs.accents else wish
            for ride in self.rides:
                if ride.sway.axis.text == name:
                    add_ride(ride, runs, asked, wish, (duration_s, self.scene.loop), self.axes)
            if any(ride.sway.axis.text == name for ride in self.rides):
                self.axes.notes += overlap_note(runs, wish)
            np.clip(wish, *runs.axis.range_rad, out=wish)
            if self.scene.loop:
                asked[-1], wish[-1] = asked[0], wish[0]
            accents = finished(runs, asked, wish - beneath) if runs.accents else ()
            axes[name] = AxisWish(name, asked, wish, accents, self.imports.sampled(name))
        switches = {}
        for name, cues in self.switches.items():
            switches[name], shortfalls, notes = cues.steps(duration_s)
            self.axes.shortfalls += shortfalls
            self.axes.notes += notes
        told = self._told()
        return Timeline(
            self.scene.name,
            duration_s,
            self.scene.loop,
            axes,
            {name: cues.in_order() for name, cues in self.lamps.items()},
            switches,
            told,
            tuple(self.axes.notes),
            self.quiet,
        )

    def _told(self) -> tuple[Shortfall, ...]:
        """The shortfalls in order of time; of very many on one channel the first, and how many follow."""
        kept: list[Shortfall] = []
        seen: dict[str, int] = {}
        ordered = sorted(self.axes.shortfalls, key=lambda item: (item.time_s, item.line))
        for item in ordered:
            seen[item.channel] = seen.get(item.channel, 0) + 1
            if seen[item.channel] <= MOST_TOLD:
                kept.append(item)
        for channel, count in seen.items():
            if count > MOST_TOLD:
                self.axes.notes.append(
                    f"{channel} falls short {count - MOST_TOLD} times more, which is not listed: cure the "
                    "first ones"
                )
        return tuple(kept)
