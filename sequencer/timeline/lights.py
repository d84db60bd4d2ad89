"""Lamps and switches: from cues and scores to steps in time order."""

from __future__ import annotations

from dataclasses import dataclass, field

from sequencer.figure.colours import Colour
from sequencer.figure.model import Switch
from sequencer.timeline.model import LampStep, Shortfall, SwitchStep

#: Lightness comes in half per cents.
_LEVELS = 200


def level(lightness: float) -> float:
    """Lightness 0..1 to the nearest step of 0.005."""
    return round(lightness * _LEVELS) / _LEVELS


@dataclass
class LampCues:
    """The steps of one lamp."""

    steps: list[LampStep] = field(default_factory=list)

    def go(self, time_s: float, lightness: float, over_s: float, colour: Colour | None = None) -> None:
        """To ``lightness``, over a time or at once, in this colour (None: the one before)."""
        if over_s > 0:
            self.steps.append(LampStep(time_s, "ramp", level(lightness), over_s, colour=colour))
        else:
            self.steps.append(LampStep(time_s, "set", level(lightness), colour=colour))

    def in_order(self) -> tuple[LampStep, ...]:
        """The steps by time; steps of one time stay in the order of their cues."""
        return tuple(sorted(self.steps, key=lambda step: step.time_s))


@dataclass
class SwitchCues:
    """What one switch is asked: (time, on/off/strike, line)."""

    switch: Switch
    asked: list[tuple[float, str, int]] = field(default_factory=list)

    def steps(self, end_s: float) -> tuple[tuple[SwitchStep, ...], list[Shortfall], list[str]]:
        """Alternating on and off; a strike is on for the switch's strike time. Off at ``end_s``."""
        shortfalls: list[Shortfall] = []
        notes: list[str] = []
        spans: list[tuple[float, float, int]] = []  # on, off, line
        held: tuple[float, int] | None = None
        name = self.switch.name
        for time_s, what, line in sorted(self.asked, key=lambda item: item[0]):
            if what == "on":
                held = held or (time_s, line)
            elif what == "off":
                if held is not None and time_s > held[0]:
                    spans.append((held[0], time_s, held[1]))
                elif held is None and spans and spans[-1][1] > time_s:
                    spans[-1] = (spans[-1][0], time_s, spans[-1][2])
                held = None
            elif held is None:
                if spans and time_s < spans[-1][1]:
                    shortfalls.append(_too_soon(self.switch, time_s, line, spans[-1][0]))
                    continue
                spans.append((time_s, time_s + self.switch.strike_s, line))
        if held is not None:
            spans.append((held[0], max(end_s, held[0]), held[1]))
            notes.append(f"line {held[1]}: {name} is still on at the end; it is switched off there")
        most = self.switch.max_on_s
        for on_s, off_s, line in spans:
            if most is not None and off_s - on_s > most + 1e-9:
                shortfalls.append(
                    Shortfall(
                        "range", name, on_s, line, off_s - on_s, most, "s",
                        f"line {line}: {name} would stay on for {off_s - on_s:.4g} s; "
                        f"the figure allows {most:g} s",
                        f"switch it off by {on_s + most:.4g} s of the scene",
                    )
                )  # fmt: skip
        steps = [
            step for on_s, off_s, _ in spans for step in (SwitchStep(on_s, True), SwitchStep(off_s, False))
        ]
        return tuple(steps), shortfalls, notes


def _too_soon(switch: Switch, time_s: float, line: int, before_s: float) -> Shortfall:
    earliest = before_s + switch.strike_s
    return Shortfall(
        "rate", switch.name, time_s, line, time_s - before_s, switch.strike_s, "s",
        f"line {line}: {switch.name} is still striking from {before_s:.4g} s; this strike is lost",
        f"strike again at {earliest:.4g} s or later",
    )  # fmt: skip
