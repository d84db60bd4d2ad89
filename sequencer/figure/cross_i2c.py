"""Faults of the parts on the I2C bus, held against what hangs on them."""

from __future__ import annotations

from sequencer.figure.explain import Reporter
from sequencer.figure.parts import Parts
from sequencer.figure.pins import EXPANDER_PIN, PINS, expander_output
from sequencer.figure.toml_lines import Path

#: Every expander answers to this address too, for a moment after power-up.
_ALL_CALL = 0x70
#: Where memory chips are.
_MEMORY = range(0x50, 0x58)


def check_expanders(parts: Parts, reporter: Reporter) -> None:
    """How many, and at which addresses."""
    if len(parts.expander_names) > 4:
        reporter.add(
            ("expanders",),
            "too many expanders",
            value=str(len(parts.expander_names)),
            limit="4",
            remedy="spread the figure over two boards",
        )
    taken: dict[int, str] = {}
    for name, table in parts.expanders.items():
        where = ("expanders", name, "address")
        said = f"0x{table.address:02x}"
        if table.address == _ALL_CALL or table.address in _MEMORY:
            reporter.add(
                where,
                "this address means something else on the bus",
                value=said,
                limit="0x40 to 0x4f, 0x58 to 0x6f, 0x71 to 0x7f",
                remedy="close or open another of the six solder bridges, and write what they say",
            )
        if table.address in taken:
            reporter.add(
                where,
                f"expander `{taken[table.address]}` has this address already",
                value=said,
                remedy="close another solder bridge on one of them, and write its address",
            )
        taken.setdefault(table.address, name)


def check_output(where: Path, pin: int, section: str, parts: Parts, reporter: Reporter) -> None:
    """Whether an output of an expander can do what hangs on it."""
    number, output = expander_output(pin)
    name = parts.expander_names[number]
    table = parts.expanders.get(name)
    if section not in ("servos", "lamps"):
        reporter.add(
            where,
            "an expander serves servos or lamps, nothing else",
            value=f"{name}.{output}",
            limit=PINS[reporter.board].usable_said,
            remedy="use a pin of the board",
        )
    elif table is not None and table.serves != section:
        reporter.add(
            where,
            f"expander `{name}` serves {table.serves}: one chip has one frequency, "
            "50 a second for servos or 500 for lamps",
            value=f"{name}.{output}",
            remedy=f'use another expander with serves = "{section}", or a pin of the board',
        )


def bus_is_used(parts: Parts) -> bool:
    """Whether the board's two I2C pins are taken."""
    return bool(parts.expander_names) or (parts.top is not None and parts.top.board.memory_kb is not None)


def check_bus_pin(where: Path, pin: int, parts: Parts, reporter: Reporter) -> None:
    """The bus's own pins serve nothing else."""
    board = PINS[reporter.board]
    if pin < EXPANDER_PIN and pin in board.i2c and bus_is_used(parts):
        line = "SDA" if pin == board.i2c[0] else "SCL"
        reporter.add(
            where,
            f"pin {board.name(pin)} is {line} of the I2C bus, which this figure uses",
            value=board.name(pin),
            remedy="move the wire to a free pin and change `pin`",
        )
