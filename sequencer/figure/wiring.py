"""What hangs on which pin: the wiring table, the current of each pin, and what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from sequencer.figure import electric
from sequencer.figure.electric import Overload, PinLoad, SeriesResistor
from sequencer.figure.model import NO_PIN, Figure, Lamp, Sensor
from sequencer.figure.pins import EXPANDER_PIN, OUTPUTS, PINS, pin_name
from sequencer.figure.tracks import track_maps
from sequencer.finding import Finding

#: What the base of a small transistor is given through 1 kilohm, amperes (5 V less 0.7, common practice).
BASE_A = 0.0043
#: What the input of a relay module takes, amperes (typical: an optocoupler's diode).
RELAY_INPUT_A = 0.005


_ACTIVE = {
    ("trigger", True): "to ground when active",
    ("trigger", False): "to 5 V when active",
    ("stop", True): "stop: to ground when pressed (a software stop: it removes no power)",
    ("stop", False): "stop: 5 V when pressed or broken off (a software stop: it removes no power)",
    ("rail", True): "servo supply: to ground while it is on",
    ("rail", False): "servo supply: 5 V while it is on, through a divider",
}


#: Nothing else reaches the chip while the loader has the board, or a half loaded board stands still.
_OE = (
    "pull-up resistor 10 kilohm (1 where the module pulls it down), and a switch to ground, open while the "
    "board is loaded"
)


_BUS = "to the same of every part, 4.7 kilohm to 5 V in one place (most modules carry them), short wires"
#: One memory chip; a larger memory is two.
MEMORY_CHIP_BYTES = 65_536


@dataclass(frozen=True)
class WireRow:
    """One row of the table: the pin as printed, what is on it, what it does, how to connect it."""

    pin: str
    what: str
    does: str
    connect: str


def resistor_of(lamp: Lamp) -> SeriesResistor | None:
    """The lamp's series resistor (E12), when the file tells its forward voltage.

    A lamp of ``current_a`` is one string of diodes in series.
    """
    if lamp.forward_v is None:
        return None
    feeds_v = electric.PIN_V if lamp.supply_v is None else lamp.supply_v
    return electric.led_resistor(feeds_v, lamp.forward_v, lamp.current_a)


def pin_loads(figure: Figure) -> list[PinLoad]:
    """The current of every pin that gives or takes one; servo signals take next to none."""
    loads = []
    for lamp in figure.lamps.values():
        resistor = resistor_of(lamp)
        through_pin = lamp.current_a if resistor is None else resistor.current_a
        for pin in lamp.pins or (lamp.pin,):
            if pin == NO_PIN:
                continue
            if lamp.through == "transistor":
                loads.append(PinLoad(lamp.name, pin, BASE_A, sinks=False))
            else:
                loads.append(PinLoad(lamp.name, pin, through_pin, sinks=lamp.active_low))
    for switch in figure.switches.values():
        loads.append(PinLoad(switch.name, switch.pin, RELAY_INPUT_A, sinks=switch.active_low))
    return loads


def rows(figure: Figure) -> list[WireRow]:
    """A row a pin, in the order of the pins, and the ground at the end."""
    found: list[tuple[int, WireRow]] = []

    def add(pin: int, what: str, does: str, connect: str) -> None:
        printed = pin_name(pin, figure.board.kind)
        if pin >= EXPANDER_PIN:
            printed = f"{expanders[(pin - EXPANDER_PIN) // OUTPUTS]}.{(pin - EXPANDER_PIN) % OUTPUTS}"
        found.append((pin, WireRow(printed, what, does, connect)))

    expanders = list(figure.expanders)

    tracks = {track.servo: track for track in track_maps(figure).values()}
    for servo in figure.servos.values():
        track = tracks.get(servo.name)
        plays = f"pulses {track.low_us:.0f} to {track.high_us:.0f} us" if track else "moves no axis yet"
        add(servo.pin, f"servo {servo.name}", f"signal, {plays}", "plus and minus from the servo supply")
    for lamp in figure.lamps.values():
        lit = "lit when low" if lamp.active_low else "lit when high"
        names = (" red", " green", " blue") if lamp.rgb else ("",)
        for colour, pin in zip(names, lamp.pins or (lamp.pin,), strict=True):
            if pin != NO_PIN:
                does = f"{1000 * lamp.current_a:.0f} mA, {lit}"
                add(pin, f"lamp {lamp.name}{colour}", does, _lamp_words(lamp))
    for string in figure.strings.values():
        add(
            string.pin,
            f"string {string.name}",
            f"data of {string.leds} lamps, follows {string.follows}",
            f"330 ohm in the data wire; 5 V for {string.leds * string.led_a:.2g} A of its own, common ground",
        )
    module = figure.sound_module
    if module is not None:
        how = f"serial, {module.baud} baud" if module.kind == "serial" else "a pulse starts it"
        pull = "pull-up" if module.kind == "serial" or module.active_low else "pull-down"
        add(module.pin, "sound module", how, f"to its input, 1 kilohm; {pull} resistor 10 kilohm")
    for switch in figure.switches.values():
        on = "on when low" if switch.active_low else "on when high"
        pull = "pull-up" if switch.active_low else "pull-down"
        lead = f", acts {1000 * switch.lead_s:.0f} ms late" if switch.lead_s else ""
        add(switch.pin, f"switch {switch.name}", on + lead, f"{pull} resistor 10 kilohm")
    for source in figure.inputs.values():
        active = _ACTIVE[source.kind, source.active_low]
        pull = "pull-up inside" if source.pull_up else "its own pull resistor 10 kilohm"
        add(source.pin, f"input {source.name}", active, pull)
    for sensor in figure.sensors.values():
        if sensor.kind == "voltage":
            add(sensor.pin, f"input {sensor.name}", "the supply's voltage", _divider_words(sensor))
        else:
            of = "the servo supply" if sensor.watches is None else f"servo {sensor.watches}"
            add(
                sensor.pin,
                f"input {sensor.name}",
                f"current of {of}",
                "output of a current sensor in its plus wire",
            )
    parts = [f"{chip.name} at {chip.address:#04x}" for chip in figure.expanders.values()]
    if figure.board.memory_bytes:
        parts.append(
            "memory at 0x50" + (" and 0x51" if figure.board.memory_bytes > MEMORY_CHIP_BYTES else "")
        )
    if parts:
        for pin, line in zip(PINS[figure.board.kind].i2c, ("SDA", "SCL"), strict=True):
            add(pin, f"{line} of the I2C bus", ", ".join(parts), _BUS)
    for number, chip in enumerate(figure.expanders.values()):
        if chip.serves == "servos":
            where = f"/OE of expander {number + 1}"
            row = WireRow(where, f"expander {chip.name}", "outputs off while high", _OE)
            found.append((EXPANDER_PIN + OUTPUTS * number, row))
    ordered = [row for _, row in sorted(found, key=lambda item: item[0])]
    ground = WireRow("GND", "ground", "common", "join with the minus of the servo supply")
    return [*ordered, ground]


def _divider_words(sensor: Sensor) -> str:
    """Two resistors of E24: the lower one 1 kilohm, which no reading notices."""
    upper = electric.standard_resistor(1000.0 * (1000.0 / sensor.mv_per_unit - 1.0), "E24")
    return f"divider: {upper:g} ohm to the servo supply's plus, 1000 ohm to ground"


def _lamp_words(lamp: Lamp) -> str:
    fed = "" if lamp.supply_v is None else f" from {lamp.supply_v:g} V"
    through = " through a transistor, 1 kilohm at its base" if lamp.through == "transistor" else ""
    resistor = resistor_of(lamp)
    if resistor is None:
        return f"series resistor{fed}{through}"
    return (
        f"resistor {resistor.ohm:g} ohm {resistor.rating_w:g} W ({1000 * resistor.current_a:.0f} mA)"
        f"{fed}{through}"
    )


def findings(figure: Figure) -> Iterator[Finding]:
    """Pins, port groups and the chip against the datasheet's limits.

    What is told of a pin alone is not told again of its group.
    """
    loads = pin_loads(figure)
    alone = [over for over in electric.overloads(loads, figure.board.kind) if over.pin is not None]
    for over in alone:
        yield _single(figure, over)
    broken = {over.pin for over in alone if over.breaks}
    rest = [load for load in loads if load.pin not in broken]
    for over in electric.overloads(rest, figure.board.kind):
        if over.pin is None:
            yield _together(over)
    yield from _strings(figure)


def _strings(figure: Figure) -> Iterator[Finding]:
    """Strings that ask for more than the board's own 5 V can give."""
    total = math.fsum(string.leds * string.led_a for string in figure.strings.values())
    if total > electric.USB_A:
        names = ", ".join(f"`{name}`" for name in figure.strings)
        yield Finding(
            code="supply",
            severity="note",
            scene=None,
            channel=None,
            time_s=None,
            value=1000.0 * total,
            limit=1000.0 * electric.USB_A,
            unit="mA",
            message=f"strings take up to {total:.2g} A at full white ({names}); the board's 5 V gives "
            f"{electric.USB_A:g} A from USB (USB 2.0, 7.2.1)",
            remedy=f"feed them 5 V of their own, {electric.supply_for(total):g} A or more; join the grounds",
        )


def _finding(over: Overload, channel: str | None, message: str, remedy: str) -> Finding:
    return Finding(
        code="supply",
        severity="error" if over.breaks else "warning",
        scene=None,
        channel=channel,
        time_s=None,
        value=1000.0 * over.current_a,
        limit=1000.0 * over.limit_a,
        unit="mA",
        message=message,
        remedy=remedy,
    )


def _single(figure: Figure, over: Overload) -> Finding:
    (load,) = over.loads
    why = (
        "a pin breaks above 40 mA (absolute maximum)"
        if over.breaks
        else "a pin is meant to carry 20 mA (test condition; it breaks above 40)"
    )
    lamp = figure.lamps[load.name]
    resistor = ""
    if lamp.forward_v is not None:
        feeds_v = electric.PIN_V if lamp.supply_v is None else lamp.supply_v
        better = electric.led_resistor(feeds_v, lamp.forward_v, electric.PIN_TEST_A)
        resistor = f" with a resistor of {better.ohm:g} ohm"
    return _finding(
        over,
        load.name,
        f"lamp `{load.name}` takes {1000 * load.current_a:.0f} mA from pin "
        f"{pin_name(load.pin, figure.board.kind)}; {why}",
        f'set its current_ma to 20{resistor}, or drive it through a transistor: through = "transistor"',
    )


def _together(over: Overload) -> Finding:
    names = [load.name for load in over.loads]
    each = math.floor(1000.0 * over.limit_a / len(names))
    way = "take" if over.loads[0].sinks and over.where != "all pins" else "give"
    listed = ", ".join(f"`{name}`" for name in names)
    return _finding(
        over,
        None,
        f"{over.where} {way} {1000 * over.current_a:.0f} mA together ({listed}); the chip breaks above "
        f"{1000 * over.limit_a:.0f} mA there",
        f"set current_ma of each to {each} or less, or drive the lamps through transistors: "
        'through = "transistor"',
    )
