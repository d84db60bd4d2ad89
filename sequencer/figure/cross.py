"""Faults that only show when the tables of a figure are held against each other."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.figure.cross_i2c import check_bus_pin, check_expanders, check_output
from sequencer.figure.cross_linkages import check_clearances, check_drives
from sequencer.figure.cross_outputs import check_lamps, check_sensors, check_sound, check_strings
from sequencer.figure.cross_stopping import check_stopping
from sequencer.figure.electric import PIN_V
from sequencer.figure.explain import Reporter, spelled
from sequencer.figure.impossible import check_axis
from sequencer.figure.parts import Parts
from sequencer.figure.pins import EXPANDER_PIN, PINS, Pins, pin_names
from sequencer.figure.reach import fitting_range
from sequencer.figure.schema import AxisTable, LampTable, ServoTable
from sequencer.figure.schema_masses import HollowSphereTable
from sequencer.figure.schema_values import Table
from sequencer.figure.toml_lines import Path

#: Words of the scene language that cannot be channels' names.
RESERVED = frozenset(
    (
        *("at", "bar", "depth", "every", "for", "home", "include", "lamps", "lands", "length", "loop", "off"),
        *("on", "over", "pose", "scene", "score", "seed", "sound", "tempo", "then", "throughout", "to"),
    )
)
_ROUNDING_US = 1e-6
_ROUNDING_DEG = 1e-9


def cross_check(parts: Parts, reporter: Reporter) -> None:
    """Every check between tables; faults go to the reporter."""
    kind = parts.top.board.kind if parts.top is not None else "uno"
    _room(parts, PINS[kind], reporter)
    _names(parts, reporter)
    _pins(parts, kind, reporter)
    for name, servo in parts.servos.items():
        _servo(name, servo, reporter)
    for name, axis in parts.axes.items():
        _axis(name, axis, parts, reporter)
        check_axis(("axes", name), axis, reporter)
    check_expanders(parts, reporter)
    check_drives(parts, reporter)
    check_clearances(parts, reporter)
    _carriers(parts, reporter)
    for name, mass in parts.masses.items():
        if mass.carried_by not in parts.axis_names:
            reporter.unknown_name(("masses", name, "carried_by"), "axis", mass.carried_by, parts.axis_names)
        if isinstance(mass, HollowSphereTable) and mass.inner_diameter_mm >= mass.outer_diameter_mm:
            reporter.add(
                ("masses", name, "inner_diameter_mm"),
                "the hole is as big as the sphere or bigger",
                value=f"{mass.inner_diameter_mm:g} mm",
                limit=f"less than {mass.outer_diameter_mm:g} mm, the outer diameter",
                remedy='measure both again; for a solid ball use shape = "sphere"',
            )
    for name, switch in parts.switches.items():
        if switch.max_on_s is not None and switch.strike_ms > switch.max_on_s * 1000.0:
            reporter.add(
                ("switches", name, "strike_ms"),
                "a strike lasts longer than the switch may stay on",
                value=f"{switch.strike_ms:g} ms",
                limit=f"{switch.max_on_s * 1000.0:g} ms, from max_on_s",
                remedy="shorten strike_ms or lengthen max_on_s",
            )
    for name, lamp in parts.lamps.items():
        _lamp(name, lamp, reporter)
    check_sensors(parts, reporter)
    check_stopping(parts, reporter)
    check_lamps(parts, reporter)
    check_strings(parts, reporter)
    check_sound(parts, reporter)
    _poses(parts, reporter)


def _lamp(name: str, lamp: LampTable, reporter: Reporter) -> None:
    feeds_v = PIN_V if lamp.supply_v is None else lamp.supply_v
    if lamp.through == "pin" and feeds_v > PIN_V:
        reporter.add(
            ("lamps", name, "supply_v"),
            "a pin must never see more than the board's own voltage",
            value=f"{feeds_v:g} V",
            limit=f"{PIN_V:g} V",
            remedy='drive the lamp through a transistor and write through = "transistor"',
        )
    if lamp.forward_v is not None and lamp.forward_v >= feeds_v:
        reporter.add(
            ("lamps", name, "forward_v"),
            "its diodes need more than what feeds them, so that they stay dark",
            value=f"{lamp.forward_v:g} V",
            limit=f"less than {feeds_v:g} V",
            remedy="put fewer diodes in series, or feed them with more: supply_v = "
            f'{lamp.forward_v + 2.0:.3g} and through = "transistor"',
        )


def _room(parts: Parts, board: Pins, reporter: Reporter) -> None:
    for section, most in board.counts.items():
        have = len(getattr(parts, section))
        counted = ""
        if section == "lamps":
            have = sum(1 if lamp.pin is not None else 3 for lamp in parts.lamps.values())
            if have != len(parts.lamps):
                counted = " (one of three colours, or that a string follows, counts three times)"
        if have > most:
            reporter.add(
                (section,),
                f"too many {section} for {board.a_title}{counted}",
                value=str(have),
                limit=str(most),
                remedy=f"remove {have - most} of them, or choose a larger board",
            )


def _names(parts: Parts, reporter: Reporter) -> None:
    """Axes, lamps, switches and inputs share one set of names, because scenes name them alike."""
    owner: dict[str, str] = {}
    for section in ("axes", "lamps", "switches", "inputs", "sensors", "strings"):
        for name in getattr(parts, section):
            if name in RESERVED:
                reporter.add(
                    (section, name),
                    f"`{name}` is a word of the scene language",
                    remedy="give it another name",
                )
            if name in owner:
                reporter.add(
                    (section, name),
                    f"the name `{name}` is already used in [{owner[name]}.{name}]",
                    remedy="give one of them another name, so that scenes can tell them apart",
                )
            owner.setdefault(name, section)


def _wired(parts: Parts) -> Iterator[tuple[Path, str, int, str]]:
    """Everything on a pin: its path, the pin's key, the pin, the section."""
    for section in ("servos", "lamps", "switches", "inputs", "sensors", "strings"):
        table: Table
        for name, table in getattr(parts, section).items():
            path = ("inputs" if section == "sensors" else section, name)
            for key in ("pin", "red_pin", "green_pin", "blue_pin"):
                pin = getattr(table, key, None)
                if pin is not None:
                    yield path, key, pin, section
    if parts.top is not None and parts.top.sound_module is not None:
        yield ("sound_module",), "pin", parts.top.sound_module.pin, "sound modules"


def _pins(parts: Parts, kind: str, reporter: Reporter) -> None:
    board, taken = PINS[kind], dict[int, Path]()
    for path, key, pin, section in _wired(parts):
        where = (*path, key)
        printed = board.name(pin)
        move = "move the wire to a free pin and change `pin`"

        def refuse(message: str, limit: str = board.usable_said, remedy: str = move) -> None:
            reporter.add(where, message, value=printed, limit=limit, remedy=remedy)  # noqa: B023 - called now

        if pin >= EXPANDER_PIN:
            check_output(where, pin, section, parts, reporter)
        elif pin > board.last:
            refuse(f"{board.a_title} has no pin {printed}")
        elif pin in board.link:
            refuse(f"pin {printed} belongs to the link with the computer")
        elif pin == board.loader and section != "lamps":
            refuse(
                f"pin {printed} is blinked by the boot loader at every reset, so it can "
                + (
                    "watch nothing"
                    if section in ("inputs", "sensors")
                    else f"drive no {section[:-1].removesuffix('e')}"
                )
            )
        elif pin in board.analog_only and section != "sensors":
            refuse(f"pin {printed} of {board.a_title} can only measure a voltage")
        elif section == "lamps" and pin not in board.lamps:
            refuse(
                f"pin {printed} cannot dim a lamp",
                pin_names(board.lamps, kind),
                "move the lamp to one of these pins, or make it a switch",
            )
        check_bus_pin(where, pin, parts, reporter)
        if pin in taken:
            other = spelled(taken[pin])
            line = reporter.line(taken[pin])
            reporter.add(
                where,
                f"pin {printed} already serves {other}" + (f" (line {line})" if line else ""),
                value=printed,
                remedy="give each its own pin",
            )
        taken.setdefault(pin, path)


def _servo(name: str, servo: ServoTable, reporter: Reporter) -> None:
    low, high = servo.pulse_us
    if not low < high:
        reporter.add(
            ("servos", name, "pulse_us"),
            "the first pulse must be the shorter one",
            value=f"[{low:g}, {high:g}]",
            remedy="write [shortest, longest]; for the other direction set reversed = true",
        )
        return
    centre = (low + high) / 2.0 if servo.centre_us is None else servo.centre_us
    if not low <= centre <= high:
        reporter.add(
            ("servos", name, "centre_us"),
            "the centre lies outside the servo's pulse range",
            value=f"{centre:g} us",
            limit=f"{low:g} to {high:g} us",
            remedy="fit the horn on another tooth so that the centre comes back into the range",
        )
    _low_line(name, servo, reporter)
    if servo.ends_us is None:
        return
    if not servo.ends_us[0] < servo.ends_us[1]:
        reporter.add(
            ("servos", name, "ends_us"),
            "the first end must be the shorter pulse",
            value=f"[{servo.ends_us[0]:g}, {servo.ends_us[1]:g}]",
            remedy="write [shortest, longest] as recorded on the bench",
        )
    elif servo.ends_us[0] < low - _ROUNDING_US or servo.ends_us[1] > high + _ROUNDING_US:
        reporter.add(
            ("servos", name, "ends_us"),
            "the recorded ends lie outside the servo's pulse range",
            value=f"[{servo.ends_us[0]:g}, {servo.ends_us[1]:g}] us",
            limit=f"{low:g} to {high:g} us",
            remedy="record the ends again, or correct pulse_us from the datasheet",
        )


def _low_line(name: str, servo: ServoTable, reporter: Reporter) -> None:
    low = servo.low_line
    if low is None:
        return
    path: Path = ("servos", name, "low_line")
    if low.at_v >= servo.at_v:
        reporter.add(
            (*path, "at_v"),
            "the second line must be the one at the lower voltage",
            value=f"{low.at_v:g} V",
            limit=f"less than {servo.at_v:g} V, the at_v of the servo",
            remedy="exchange the two lines",
        )
    elif low.speed_s_per_60deg < servo.speed_s_per_60deg or low.stall_kgcm > servo.stall_kgcm:
        reporter.add(
            path,
            f"at {low.at_v:g} V the servo would be faster or stronger than at {servo.at_v:g} V",
            value=f"{low.speed_s_per_60deg:g} s, {low.stall_kgcm:g} kg cm",
            limit=f"at least {servo.speed_s_per_60deg:g} s and at most {servo.stall_kgcm:g} kg cm",
            remedy="check which numbers of the datasheet belong to which voltage",
        )


def _axis(name: str, axis: AxisTable, parts: Parts, reporter: Reporter) -> None:
    path: Path = ("axes", name)
    if axis.words[0] == axis.words[1]:
        reporter.add(
            (*path, "words"),
            "both directions have the same word",
            value=axis.words[0],
            remedy='write the word for negative angles, then the one for positive: ["right", "left"]',
        )
    for end, word in enumerate(axis.words):
        if word in RESERVED:
            reporter.add(
                (*path, "words", end), f"`{word}` is a word of the scene language", remedy="use another word"
            )
    low, high = axis.range_deg
    if not low < high:
        reporter.add(
            (*path, "range_deg"),
            "the first angle must be the smaller one",
            value=f"[{low:g}, {high:g}]",
            remedy="write [smallest, largest]",
        )
        return
    for key, value in (("home_deg", axis.home_deg), ("parked_deg", axis.parked_deg)):
        if value is not None and not _within(axis, value):
            where = (*path, key) if key in axis.model_fields_set else (*path, "range_deg")
            reporter.add(
                where,
                f"{'home' if key == 'home_deg' else 'the parked position'} lies outside the axis's range",
                value=f"{value:g} deg",
                limit=f"{low:g} to {high:g} deg",
                remedy=f"choose `{key}` inside the range, or widen range_deg",
            )
    servo = parts.servos.get(axis.drive.servo or "")
    if servo is not None:
        _reach(path, axis, servo, reporter)


def _within(axis: AxisTable, angle_deg: float) -> bool:
    return axis.range_deg[0] <= angle_deg <= axis.range_deg[1]


def _reach(path: Path, axis: AxisTable, servo: ServoTable, reporter: Reporter) -> None:
    centre = sum(servo.pulse_us) / 2.0 if servo.centre_us is None else servo.centre_us
    if not servo.pulse_us[0] <= centre <= servo.pulse_us[1] or servo.pulse_us[0] == servo.pulse_us[1]:
        return  # told as the servo's own fault
    if servo.ends_us is not None and not servo.ends_us[0] < servo.ends_us[1]:
        return
    low, high, why = fitting_range(
        (servo.pulse_us[0], servo.pulse_us[1]),
        None if servo.ends_us is None else (servo.ends_us[0], servo.ends_us[1]),
        centre,
        (servo.pulse_us[1] - servo.pulse_us[0])
        / servo.travel_deg
        * axis.drive.ratio
        * (-1.0 if servo.reversed else 1.0),
    )
    if axis.range_deg[0] >= low - _ROUNDING_DEG and axis.range_deg[1] <= high + _ROUNDING_DEG:
        return
    # Rounded inwards: what is printed must be accepted when it is typed in.
    inner = (-int(-low * 10) / 10 if low < 0 else int(low * 10 + 1) / 10, int(high * 10) / 10)
    reporter.add(
        (*path, "range_deg"),
        f"the range goes beyond {why} of servo `{axis.drive.servo}`",
        value=f"[{axis.range_deg[0]:g}, {axis.range_deg[1]:g}] deg",
        limit=f"[{inner[0]:g}, {inner[1]:g}] deg",
        remedy=f"write range_deg = [{inner[0]:g}, {inner[1]:g}] or less, change the ratio, "
        "or record the ends again",
    )


def _carriers(parts: Parts, reporter: Reporter) -> None:
    for name, axis in parts.axes.items():
        if axis.carried_by is None:
            continue
        path: Path = ("axes", name, "carried_by")
        if axis.carried_by not in parts.axis_names:
            reporter.unknown_name(path, "axis", axis.carried_by, parts.axis_names)
            continue
        chain = [name]
        current: str | None = axis.carried_by
        while current is not None and current not in chain:
            chain.append(current)
            rider = parts.axes.get(current)
            current = rider.carried_by if rider else None
        # Told once, at the member of the ring that the file names first.
        if current == name and name == min(chain, key=list(parts.axes).index):
            reporter.add(
                path,
                f"axes carry each other in a ring: {' on '.join([*chain, name])}"
                if len(chain) > 1
                else "the axis carries itself",
                remedy="the axis nearest to the base has no carried_by",
            )


def _poses(parts: Parts, reporter: Reporter) -> None:
    for pose, values in parts.poses.items():
        if pose in ("home", "parked"):
            reporter.add(
                ("poses", pose),
                f"the pose `{pose}` is made from `{pose}_deg` of each axis",
                remedy=f"set `{pose}_deg` in the axes, or give the pose another name",
            )
        for axis_name, angle in values.items():
            path: Path = ("poses", pose, f"{axis_name}_deg")
            axis = parts.axes.get(axis_name)
            if axis_name not in parts.axis_names:
                reporter.unknown_name(path, "axis", axis_name, parts.axis_names)
            elif axis is not None and axis.range_deg[0] < axis.range_deg[1] and not _within(axis, angle):
                reporter.add(
                    path,
                    f"the pose lies outside the range of `{axis_name}`",
                    value=f"{angle:g} deg",
                    limit=f"{axis.range_deg[0]:g} to {axis.range_deg[1]:g} deg",
                    remedy="choose an angle inside the range",
                )
