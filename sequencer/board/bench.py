"""Jogging one servo or lamp by keys, on a board that carries no show or was laid down for it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from sequencer.board.link import Link
from sequencer.board.reports import FAULTS, Hello
from sequencer.errors import Fault, UsageError
from sequencer.figure.pins import PINS, pin_name

Kind = Literal["servo", "lamp"]
#: The fault of a player that found no show: what the bench needs.
NO_IMAGE = FAULTS.index("no show on the board")

#: A servo's range on the bench: common practice for hobby servos; the horn is off.
LOW_US, CENTRE_US, HIGH_US = 500, 1500, 2500
SMALL_US, BIG_US = 5, 50
SMALL_LIGHT, BIG_LIGHT = 2, 20

#: A board on the bench that hears no request for so long stops its pulses and lamps (uno/bench.c).
SILENCE_S = 2.0

#: The keys, on lines that fit 80 columns.
HELP = {
    "servo": "keys  left right or - +  small step     down up or [ ]  big step\n"
    "      c  centre     record:  l low end   m centre   h high end\n"
    "      0  pulses off     q  quit",
    "lamp": "keys  left right or - +  small step     down up or [ ]  big step\n      0  off     q  quit",
}
#: Keys by name -> (sign, big step).
STEPS = {
    "left": (-1, False),
    "-": (-1, False),
    "right": (1, False),
    "+": (1, False),
    "=": (1, False),
    "down": (-1, True),
    "[": (-1, True),
    "up": (1, True),
    "]": (1, True),
}


def pin_number(text: str, board: str = "uno") -> int:
    """``9``, ``D9`` or ``A0`` (which is 14 on an Uno, 54 on a Mega) to the board's pin number.

    Raises:
        UsageError: it is none of these.

    """
    number = PINS[board].number(text)
    if number is None:
        raise UsageError(
            Fault(
                f"{text!r} is not a pin",
                quantity="pin",
                value=text,
                remedy="write it as printed on the board: 9, D9 or A0",
            )
        )
    return number


def ready_for_bench(hello: Hello) -> bool:
    """Whether the board carries a player without a show."""
    return hello.fault == NO_IMAGE


@dataclass(frozen=True)
class Range:
    """Where a servo may be sent and by what: pulse widths and steps, microseconds."""

    low_us: int = LOW_US
    begin_us: int = CENTRE_US
    high_us: int = HIGH_US
    small_us: int = SMALL_US
    big_us: int = BIG_US


@dataclass
class Jog:
    """One pin being moved. :meth:`press` takes a key's name and returns the line to show, or None to quit."""

    link: Link
    kind: Kind
    pin: int
    value: int = CENTRE_US
    reach: Range = Range()
    on: bool = False
    low_us: int | None = None
    high_us: int | None = None
    board: str = "uno"
    centre_us: int | None = None
    _fitted: bool = field(default=False, repr=False)

    def start(self) -> str:
        """Go to the middle (a servo) or to half (a lamp)."""
        return self.go(self.reach.begin_us if self.kind == "servo" else 100)

    def go(self, value: int) -> str:
        """Go to a value, or as near as its range allows; the line to show."""
        self.value = self._limited(value)
        self._send()
        return self.line()

    def press(self, key: str) -> str | None:
        """Do what a key says; the line to show, None when it was quit."""
        key = key.casefold() if len(key) > 1 else key.lower()
        if key in ("q", "quit", "esc"):
            return None
        if key == "0":
            self.stop()
            return self.line()
        if key in STEPS:
            sign, big = STEPS[key]
            return self.go(self.value + sign * self._step(big))
        if self.kind == "servo":
            return self._servo_key(key)
        return self._unknown(key)

    def stop(self) -> None:
        """Pulses off, light off."""
        if self.kind == "servo":
            self.link.bench_servo(self.pin, 0)
        else:
            self.link.bench_lamp(self.pin, 0)
        self.on = False

    def keep_alive(self) -> str | None:
        """Ask the board something, so that it knows of us: after :data:`SILENCE_S` it would stop by itself.

        Returns a line to show when this came too late and the board has stopped.
        """
        late = self.link.silent_s() >= SILENCE_S
        self.link.status()
        if not (late and self.on):
            return None
        self.on = False
        return f"nothing was asked of the board for {SILENCE_S:g} s, so it has stopped; step to go on"

    @property
    def name(self) -> str:
        """The pin as printed on the board."""
        return pin_name(self.pin, self.board)

    @property
    def ends_us(self) -> tuple[int, int] | None:
        """Both ends in microseconds, or None while they are not recorded or the wrong way round."""
        if self.low_us is None or self.high_us is None or self.low_us >= self.high_us:
            return None
        return self.low_us, self.high_us

    def line(self) -> str:
        """Where it is now, and what has been recorded."""
        if self.kind == "lamp":
            return f"{self.name}: {self.value / 2:g} % lightness" if self.on else f"{self.name}: off"
        marks = [
            f"{label} {value}"
            for label, value in (("low", self.low_us), ("centre", self.centre_us), ("high", self.high_us))
            if value is not None
        ]
        said = f"{self.name}: {self.value} us" if self.on else f"{self.name}: no pulses"
        return said + (f"   recorded: {', '.join(marks)}" if marks else "")

    def problems(self) -> list[str]:
        """What does not go together in the recorded values, in words."""
        if self.low_us is not None and self.high_us is not None and self.low_us >= self.high_us:
            return [
                f"the low end ({self.low_us} us) is not below the high end ({self.high_us} us): record again"
            ]
        centre = self.centre_us
        if centre is not None and not (self.low_us or LOW_US) <= centre <= (self.high_us or HIGH_US):
            return [f"the centre ({centre} us) is not between the ends: record again"]
        return []

    def figure_lines(self, name: str = "NAME") -> str:
        """The lines to paste into figure.toml; ends that cannot be used are left out, with the reason."""
        centre = self.centre_us
        if centre is None and self.low_us is None and self.high_us is None:
            return ""
        lines = [
            f"[servos.{name}]",
            "# from its datasheet: speed_s_per_60deg, stall_kgcm, at_v, pulse_us,",
            "# travel_deg, stall_a",
            f'pin = "{self.name}"',
            f"centre_us = {centre if centre is not None else CENTRE_US}",
        ]
        if self.ends_us is not None:
            lines.append(f"ends_us = [{self.ends_us[0]}, {self.ends_us[1]}]")
        elif self.low_us is not None and self.high_us is not None:
            lines.append(f"# no ends_us: the low end ({self.low_us} us) is not below the high end")
            lines.append(f"# ({self.high_us} us); record both again")
        elif self.low_us is not None or self.high_us is not None:
            missing = "high end (h)" if self.high_us is None else "low end (l)"
            lines.append(f"# no ends_us: the {missing} was not recorded")
        return "\n".join(lines)

    def _servo_key(self, key: str) -> str:
        if key == "c":
            line = self.go(self.reach.begin_us)
            if not self._fitted:
                self._fitted = True
                return (
                    line + "\nnow fit the horn on the tooth nearest to square "
                    "(25 teeth are 14.4 deg\napart); then step to square and press m"
                )
            return line
        if not self.on and key in ("l", "h", "m"):
            return "no pulses: the servo is not at a known place; step first"
        if key == "l":
            self.low_us = self.value
        elif key == "h":
            self.high_us = self.value
        elif key == "m":
            self.centre_us = self.value
        else:
            return self._unknown(key)
        return "\n".join([self.line(), *self.problems()])

    def _unknown(self, key: str) -> str:
        return f"{key!r} is no key here\n{HELP[self.kind]}"

    def _step(self, big: bool) -> int:
        if self.kind == "servo":
            return self.reach.big_us if big else self.reach.small_us
        return BIG_LIGHT if big else SMALL_LIGHT

    def _limited(self, value: int) -> int:
        low, high = (self.reach.low_us, self.reach.high_us) if self.kind == "servo" else (0, 200)
        return max(low, min(high, value))

    def _send(self) -> None:
        if self.kind == "servo":
            self.link.bench_servo(self.pin, self.value)
        else:
            self.link.bench_lamp(self.pin, self.value)
        self.on = True
