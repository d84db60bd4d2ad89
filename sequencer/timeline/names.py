"""The names that a scene uses, found in its figure; what is wrong with those that are not there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sequencer.errors import Fault
from sequencer.figure.model import Figure
from sequencer.timeline.scene import Angle, PoseMove, Scene, Unsaid, Word
from sequencer.timeline.words import did_you_mean, remedy_for
from sequencer.units import rad_from_deg

ALL_LAMPS = "lamps"


class Names:
    """Looks up a scene's names; ``faults`` collects those that cannot be."""

    def __init__(self, scene: Scene, figure: Figure, faults: list[Fault]) -> None:
        self.scene = scene
        self.figure = figure
        self.faults = faults

    def unknown(self, word: Word, kind: str, known: Iterable[str]) -> None:
        """Note that ``word`` names none of ``known``, and what it is instead if anything."""
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

    def known(self, word: Word, table: Mapping[str, object], kind: str) -> bool:
        """Whether ``word`` is in ``table``; notes a fault when not."""
        if word.text in table:
            return True
        self.unknown(word, kind, table)
        return False

    def lamp_names(self, word: Word) -> list[str]:
        """The lamps that ``word`` means; none (and a fault) when there is no such lamp."""
        if word.text == ALL_LAMPS and self.figure.lamps:
            return list(self.figure.lamps)
        if word.text in self.figure.lamps:
            return [word.text]
        self.unknown(word, "lamp", [*self.figure.lamps, ALL_LAMPS])
        return []

    def angle(self, name: str, angle: Angle) -> float | None:
        """Radians of a written angle; None (and a fault) when the axis lacks that direction.

        A direction alone means the end of the range on that side.
        """
        axis = self.figure.axes[name]
        if angle.direction is None:
            return axis.home_rad if angle.degrees is None else rad_from_deg(angle.degrees)
        if angle.direction.text not in axis.words:
            self.faults.append(
                self.scene.fault_at(
                    angle.direction, f"{name} has no direction `{angle.direction.text}`",
                    remedy=remedy_for(angle.direction.text, [*axis.words, "sways", "shakes"]),
                )
            )  # fmt: skip
            return None
        side = axis.words.index(angle.direction.text)
        if angle.degrees is None:  # as far as it goes
            return axis.range_rad[side]
        sign = 1.0 if side else -1.0
        return rad_from_deg(sign * angle.degrees)

    def pose(self, action: PoseMove) -> dict[str, float]:
        """Axes and radians of a pose, the scene's before the figure's; none (and a fault) when unknown."""
        if action.pose is None:
            return {name: axis.home_rad for name, axis in self.figure.axes.items()}
        targets: dict[str, float] = {}
        if action.pose.text in self.scene.poses:
            for word, angle in self.scene.poses[action.pose.text].angles:
                if self.known(word, self.figure.axes, "axis"):
                    target = self.angle(word.text, angle)
                    if target is not None:
                        targets[word.text] = target
        elif action.pose.text in self.figure.poses_rad:
            targets = dict(self.figure.poses_rad[action.pose.text])
        else:
            self.unknown(action.pose, "pose", [*self.scene.poses, *self.figure.poses_rad, "home"])
        return targets

    def unsaid(self, action: Unsaid) -> None:
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
        elif name in figure.lamps or name == ALL_LAMPS:
            can = "a lamp can: on, off, glow to 60%, flicker gutter for 2s"
        else:
            if name in poses:
                message, remedy = f"`{name}` is a pose", f"write: pose {name}"
            else:
                message = f"there is no axis, lamp, switch or pose `{name}`"
                remedy = remedy_for(name, [*figure.axes, *figure.lamps, ALL_LAMPS, *figure.switches, *poses])
            self.faults.append(self.scene.fault_at(subject, message, remedy=remedy))
            return
        if verb is None:
            message = f"this does not say what `{name}` does"
        else:
            message = f"`{verb.text}` is nothing that `{name}` can do"
        self.faults.append(self.scene.fault_at(verb or subject, message, remedy=can))
