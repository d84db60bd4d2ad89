"""The servos of a figure, one after the other: keys in, values to figure.toml and a copy to the board."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.board.calibrate import Calibration, Marks
    from sequencer.board.link import Link
    from sequencer.cli.keys import Keys
    from sequencer.figure.model import Figure, Servo

Tell = Callable[[str], None]

CAUTIONS = (
    "One servo at a time gets pulses. All others go limp now: support a head or an\n"
    "arm that would fall. Keep fingers, hair and cables out of every joint, and a\n"
    "hand on the switch of the servos' supply: a stop by a key is no safety stop."
)
#: How long `wait` among a script's words lasts, s.
WAIT_S = 0.5


@dataclass(frozen=True)
class Calibrated:
    """What became of one servo: "written", "kept", or "refused" by the figure, whose reason is told."""

    servo: Servo
    before: Marks
    after: Marks
    outcome: str
    found: dict[str, str]
    reason: str = ""


def calibrate_servos(
    show: Path, only: str | None, port: str, yes: bool, state: Path | None, as_json: bool
) -> None:
    """Calibrate every servo, or one; the file is written after each.

    Raises:
        FigureError: the figure has faults, or the values that were found do not fit it.
        UsageError: no such servo.
        BoardError: the board or its line is in trouble.

    """
    from sequencer.board.connect import open_port
    from sequencer.board.memory import copy_of, write_copy
    from sequencer.cli.bench_board import on_bench
    from sequencer.cli.keys import keys
    from sequencer.cli.say import console, say_json
    from sequencer.cli.start_cautions import memory_words
    from sequencer.errors import FigureError
    from sequencer.figure.read import read_figure
    from sequencer.tables.bus import memory_check_s

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    file = show / "figure.toml" if show.is_dir() else show
    figure = read_figure(file)
    servos = chosen(figure, only)
    tell(CAUTIONS)
    starts_s = memory_check_s(figure.board.memory_bytes, figure.board.i2c_khz)
    for line in memory_words(starts_s):
        tell(line)
    transport = open_port(port, speed=None, state=state, kind=figure.board.kind)
    done: list[Calibrated] = []
    try:
        link = on_bench(transport, figure.board.kind, yes, tell, starts_s)
        tell(f"calibrating on {transport.name}")
        with keys() as pressed, suppress(KeyboardInterrupt):
            for number, servo in enumerate(servos, start=1):
                tell(f"\nservo `{servo.name}` ({number} of {len(servos)})")
                result = _one(link, figure, servo, file, pressed, tell)
                if result is None:
                    tell(f"ended; `{servo.name}` stays as the file says")
                    break
                done.append(result)
        # The truth is in the file now; the board's copy only tells later what it was calibrated for.
        copied = write_copy(link, copy_of(read_figure(file)))
    finally:
        transport.close()
    changed = [each for each in done if each.outcome == "written"]
    refused = [each for each in done if each.outcome == "refused"]
    if as_json:
        say_json(_report(file, figure, done, copied))
    elif changed:
        names = ", ".join(f"`{each.servo.name}`" for each in changed)
        tell(
            f"\nwritten to {file}: {names}\n"
            "A show that is on the board is still the one proven for the old values; the\n"
            "board stays still until the next reset.\n"
            f"Next: quarterjack check {show}, then quarterjack flash {show}"
        )
    else:
        tell(f"\n{file} is as it was. The board stays still until the next reset.")
    if copied:
        tell("The board keeps a copy, to tell later what it was calibrated for.")
    if refused:
        raise FigureError(f"{file}: not written: {', '.join(each.servo.name for each in refused)}, see above")


def chosen(figure: Figure, only: str | None) -> list[Servo]:
    """The servos to calibrate, in the file's order.

    Raises:
        UsageError: there is none of that name.

    """
    from sequencer.errors import Fault, UsageError
    from sequencer.figure.explain import nearest

    if only is None:
        return list(figure.servos.values())
    if only in figure.servos:
        return [figure.servos[only]]
    guess = nearest(only, list(figure.servos))
    raise UsageError(
        Fault(
            f"there is no servo `{only}`" + (f"; did you mean `{guess}`?" if guess else ""),
            file=figure.file,
            remedy=f"use one of: {', '.join(figure.servos)}",
        )
    )


def moves(figure: Figure, servo: Servo) -> str:
    """What moves with this servo, in the figure's words."""
    from sequencer.figure.linkage import linkages

    axes = [name for link in linkages(figure) if servo.name in link.servos for name in link.axes]
    words = [f"{name} ({'/'.join(figure.axes[name].words)})" for name in axes]
    return " and ".join(words) or "nothing that an axis names"


def _one(
    link: Link, figure: Figure, servo: Servo, file: Path, pressed: Keys, tell: Tell
) -> Calibrated | None:
    """One servo from its cautions to the file; None when the person ended it."""
    from sequencer.board.calibrate import HELP, Calibration, Marks, current_watch
    from sequencer.figure.pins import pin_name

    pin = bench_pin(link, figure, servo)
    if pin is None:
        tell("its expander's oscillator is not calibrated: calibrate --expander first")
        marks = Marks(servo.centre_us, *(servo.ends_us or (None, None)))
        return Calibrated(servo, marks, marks, "kept", {})
    current = current_watch(link, figure.sensors, servo.name)
    work = Calibration(link, servo, current, pin)
    tell(
        f"on {pin_name(servo.pin, figure.board.kind)}; it moves {moves(figure, servo)}\n"
        f"the file says {work.before.line()}\n"
        f"It goes to {work.jog.reach.begin_us} us at its full speed, since nobody knows where it stands\n"
        "now: nothing may be in its way. Enter starts it, o goes on without, q ends."
    )
    if current is not None:
        tell("Its current is watched: a search for an end stops where the current rises.")
    elif any(sensor.kind == "current" for sensor in figure.sensors.values()):
        tell("The board tells no current for it (another show, or nothing wired): watch it yourself.")
    first = wait_for(link, pressed, {"enter", "c", "o", "q", "esc", "end"})
    if first in ("q", "esc", "end"):
        return None
    if first == "o":
        return Calibrated(servo, work.before, work.before, "kept", {})
    tell(HELP)
    try:
        tell(work.begin())
        _follow(work, pressed, tell)
    finally:
        from sequencer.errors import QuarterjackError

        with suppress(QuarterjackError):  # what ended it is told; the board stops by itself as well
            work.stop()
    if work.outcome == "end":
        return None
    if work.outcome == "keep":
        tell(f"`{servo.name}` stays: {work.before.line()}")
        return Calibrated(servo, work.before, work.before, "kept", work.found)
    return _write(work, file, tell)


def bench_pin(link: Link, figure: Figure, servo: Servo) -> int | None:
    """The pin by which the bench drives a servo; one on an expander after making that the bench's.

    None while its expander's oscillator is not calibrated.
    """
    from sequencer.figure.pins import EXPANDER_PIN
    from sequencer.tables.extra_expanders import ExpanderRecord

    if servo.pin < EXPANDER_PIN:
        return servo.pin
    number, output = divmod(servo.pin - EXPANDER_PIN, 16)
    expander = list(figure.expanders.values())[number]
    if expander.oscillator_mhz is None:
        return None
    record = ExpanderRecord(expander.address, "servos", round(1000 * expander.oscillator_mhz))
    link.bench_expander(record.address, record.prescale, record.scale)
    return EXPANDER_PIN + output


def wait_for(link: Link, pressed: Keys, wanted: set[str]) -> str:
    """The first of these keys that is pressed; the board is asked something meanwhile."""
    while True:
        key = pressed.read(0.2)
        if key is not None and key.casefold() in wanted:
            return key.casefold()
        link.reports(0.05)
        link.status()


def _follow(work: Calibration, pressed: Keys, tell: Tell) -> None:
    """Keys and steps until the servo is done."""
    from sequencer.board.calibrate import SEEK_S

    waiting_s = 0.0
    while True:
        key = pressed.read(0.0 if work.seeking else 0.2) if waiting_s <= 0.0 else None
        if key == "wait":
            waiting_s = WAIT_S
        elif key is not None:
            said = work.press(key)
            if said:
                tell(said)
        if work.outcome is not None:
            return
        if work.seeking:
            said = work.tick()
            if said:
                tell(said)
        # Lets a simulated board's time pass, and hears a reset.
        work.link.reports(SEEK_S)
        waiting_s -= SEEK_S
        gone = work.jog.keep_alive()
        if gone:
            tell(gone)


def _write(work: Calibration, file: Path, tell: Tell) -> Calibrated:
    from sequencer.errors import FigureError
    from sequencer.figure.rewrite import write_values

    servo, marks = work.servo, work.marks
    values: dict[str, Any] = {}
    if marks.centre_us is not None:
        values["centre_us"] = round(marks.centre_us)
    if marks.ends_us is not None:
        values["ends_us"] = [round(end) for end in marks.ends_us]
    try:
        write_values(file, "servos", servo.name, lambda _: values)
    except FigureError as error:
        lines = "\n".join(f"    {key} = {value}" for key, value in values.items())
        tell(f"not written, the figure would not be right:\n{error}\n  what was found:\n{lines}")
        return Calibrated(servo, work.before, marks, "refused", work.found, str(error))
    tell(f"`{servo.name}`: was {work.before.line()}; written: {marks.line()}")
    return Calibrated(servo, work.before, marks, "written", work.found)


def _report(file: Path, figure: Figure, done: list[Calibrated], copied: bool) -> dict[str, Any]:
    from sequencer.figure.pins import pin_name

    def values(marks: Marks) -> dict[str, Any]:
        ends = marks.ends_us
        return {"centre_us": marks.centre_us, "ends_us": None if ends is None else list(ends)}

    return {
        "schema": 1,
        "figure": figure.name,
        "file": str(file),
        "servos": {
            each.servo.name: {
                "pin": each.servo.pin,
                "pin_name": pin_name(each.servo.pin, figure.board.kind),
                "outcome": each.outcome,
                "before": values(each.before),
                "after": values(each.after),
                "found": each.found,
                "reason": each.reason,
            }
            for each in done
        },
        "copy_written": copied,
        "flash_again": any(each.outcome == "written" for each in done),
    }
