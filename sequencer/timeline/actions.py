"""What a cue does, from its tree."""

from __future__ import annotations

from sequencer.timeline.parts import MAX_LENGTH_S, Node, Parts
from sequencer.timeline.scene import (
    Action,
    Angle,
    Flicker,
    Glow,
    Move,
    PoseMove,
    Stands,
    Strike,
    Sway,
    Turned,
)
from sequencer.timeline.words import remedy_for

MAX_SEED = 65_535
DEFAULT_GLOW_S = 0.5
DEFAULT_DEPTH = 0.4
#: Shortest sway period that makes sense to a hobby servo's 20 ms frame.
MIN_PERIOD_S = 0.08


class Actions(Parts):
    """Reads actions; a method for each of the grammar's."""

    def action(self, tree: Node) -> Action:
        """The action of a cue's tree."""
        return getattr(self, f"_do_{tree.data}")(tree.children)  # type: ignore[no-any-return]

    def _do_home(self, parts: list[Node]) -> Action:
        return PoseMove(None, self.manner(parts[0]))

    def _do_pose_move(self, parts: list[Node]) -> Action:
        return PoseMove(self.word(parts[0]), self.manner(parts[1]))

    def _do_move(self, parts: list[Node]) -> Action:
        return Move(self.word(parts[0]), self.angle(parts[1]), self.manner(parts[2]))

    def _do_sway(self, parts: list[Node]) -> Action:
        axis, verb, number, length, *rest = parts
        amplitude = self.number(number, 0.01, 180, "swing", "deg")
        duration: float | None = None
        if not isinstance(length, str):
            duration = self.duration(length.children[0], 0.1, MAX_LENGTH_S)
        period: float | None = None
        if rest:
            period = self.duration(rest[0].children[0], MIN_PERIOD_S, 600.0, "period")
        kind = "sways" if verb.type == "SWAYS" else "shakes"
        return Sway(self.word(axis), kind, amplitude, duration, period)  # type: ignore[arg-type]

    def _do_stands(self, parts: list[Node]) -> Action:
        axis, where = parts
        if where.data == "at_end":
            end = self.word(where.children[0])
            return Stands(self.word(axis), Angle(end, None, end))
        return Stands(self.word(axis), self.angle(where))

    def _do_glow(self, parts: list[Node]) -> Action:
        over, colour = DEFAULT_GLOW_S, None
        for part in parts[2:]:
            if part.data == "colour":
                colour = self.word(part.children[0])
            else:
                over = self.over(part)
        return Glow(self.word(parts[0]), self.percent(parts[1], "lightness"), over, colour)

    def _do_flicker(self, parts: list[Node]) -> Action:
        lamp, kind, length, *rest = parts
        if kind not in ("gutter", "failing"):
            self.fault(
                f"there is no flicker `{kind}`",
                kind.column,
                len(kind),
                remedy=remedy_for(kind, ["gutter", "failing"]),
            )
        depth, seed = DEFAULT_DEPTH, 1
        for part in rest:
            if part.data == "depth":
                depth = self.percent(part.children[0], "depth")
            else:
                seed = self.whole(part.children[0], 0, MAX_SEED, "seed")
        duration = self.duration(length.children[0], 0.1, MAX_LENGTH_S)
        shown = "failing" if kind == "failing" else "gutter"
        return Flicker(self.word(lamp), shown, duration, depth, seed)  # type: ignore[arg-type]

    def _do_turned(self, parts: list[Node]) -> Action:
        over = self.over(parts[2]) if len(parts) > 2 else None
        return Turned(self.word(parts[0]), parts[1].type == "ON", over)

    def _do_strike(self, parts: list[Node]) -> Action:
        return Strike(self.word(parts[0]))
