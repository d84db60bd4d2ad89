"""The boards' pins: their printed names, which can do what, and how many a board's player serves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

#: Numbers from here on are outputs of expanders: 128 + 16 * expander + output, as in the show image.
EXPANDER_PIN = 128
#: An expander's outputs.
OUTPUTS = 16
#: The last output of the fourth.
LAST_OUTPUT = 191


def expander_output(pin: int) -> tuple[int, int]:
    """Which expander, counted from 0, and which of its outputs."""
    return divmod(pin - EXPANDER_PIN, OUTPUTS)


@dataclass(frozen=True)
class Pins:
    """One kind of board. Pins by the board's own numbers, in which the analog ones follow the others.

    ``usable`` can be anything; ``analog_only`` measure and do nothing else. ``link`` belong to the
    serial line, ``loader`` is blinked by boot loaders at each reset, ``i2c`` are SDA and SCL.
    ``counts`` are what the player has room for: servos, lamps, switches, inputs.
    """

    a_title: str
    first_analog: int
    last: int
    usable: frozenset[int]
    usable_said: str
    analog_only: tuple[int, ...]
    lamps: tuple[int, ...]
    link: tuple[int, ...]
    loader: int
    i2c: tuple[int, int]
    counts: Mapping[str, int]

    def name(self, pin: int) -> str:
        """``D7`` or ``A0`` as printed on the board; the bare number of a pin that it does not have."""
        if pin >= EXPANDER_PIN:
            expander, output = expander_output(pin)
            return f"output {output} of expander {expander + 1}"
        if pin > self.last:
            return str(pin)
        return f"D{pin}" if pin < self.first_analog else f"A{pin - self.first_analog}"

    def number(self, printed: str) -> int | None:
        """``7``, ``D7`` or ``A0`` to the board's number; None when it is written in no such way."""
        said = printed.strip().upper()
        digits = said[1:] if said[:1] in ("D", "A") else said
        if not (digits.isascii() and digits.isdigit() and len(digits) <= 3):
            return None
        return int(digits) + (self.first_analog if said.startswith("A") else 0)


def _listed(names: list[str], word: str) -> str:
    return ", ".join(names[:-1]) + f" {word} {names[-1]}" if len(names) > 1 else names[0]


_SMALL = {"servos": 12, "lamps": 4, "switches": 6, "inputs": 4}
_UNO = Pins(
    a_title="an Uno",
    first_analog=14,
    last=19,
    usable=frozenset((*range(2, 13), *range(14, 20))),
    usable_said="D2 to D12 and A0 to A5",
    analog_only=(),
    lamps=(3, 5, 6, 11),
    link=(0, 1),
    loader=13,
    i2c=(18, 19),
    counts=_SMALL,
)
#: By the kind that ``figure.toml`` names. Lamps are on outputs of the timers that the servos leave free.
PINS: Mapping[str, Pins] = {
    "uno": _UNO,
    # The same chip in another package, which has two more pins for the analog converter alone.
    "nano": Pins(
        a_title="a Nano",
        first_analog=14,
        last=21,
        usable=_UNO.usable,
        usable_said=_UNO.usable_said,
        analog_only=(20, 21),
        lamps=_UNO.lamps,
        link=_UNO.link,
        loader=_UNO.loader,
        i2c=_UNO.i2c,
        counts=_SMALL,
    ),
    "mega": Pins(
        a_title="a Mega",
        first_analog=54,
        last=69,
        usable=frozenset((*range(2, 13), *range(14, 70))),
        usable_said="D2 to D12, D14 to D53 and A0 to A15",
        analog_only=(),
        lamps=(2, 3, 5, 6, 7, 8, 44, 45, 46),
        link=(0, 1),
        loader=13,
        i2c=(20, 21),
        counts={"servos": 24, "lamps": 9, "switches": 8, "inputs": 8},
    ),
}
#: The kinds of boards there are.
KINDS = tuple(PINS)
#: The highest number that any board's pin has.
LAST_PIN = max(pins.last for pins in PINS.values())


def pin_name(pin: int, kind: str = "uno") -> str:
    """``D7`` or ``A0`` as printed on a board of this kind."""
    return PINS[kind].name(pin)


def pin_names(pins: tuple[int, ...], kind: str, word: str = "or") -> str:
    """``D3, D5 or D6``."""
    return _listed([pin_name(pin, kind) for pin in pins], word)
