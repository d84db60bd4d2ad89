"""``calibrate --expander NAME``: an expander's oscillator through a wire, written to the figure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.figure.model import Expander, Figure


def calibrate_expander(
    show: Path,
    name: str,
    wire: str | None,
    seconds: float,
    port: str,
    yes: bool,
    state: Path | None,
    as_json: bool,
) -> None:
    """Measure the oscillator and write it as ``oscillator_mhz`` of ``[expanders.NAME]``.

    Raises:
        FigureError: the figure has faults.
        UsageError: no such expander, no such wire, or the person ended it.
        BoardError: the board or its line is in trouble, or nothing sensible was measured.

    """
    from sequencer.board.connect import open_port
    from sequencer.board.oscillator import measure_oscillator
    from sequencer.cli.bench_board import on_bench
    from sequencer.cli.calibrate_servos import CAUTIONS, wait_for
    from sequencer.cli.keys import keys
    from sequencer.cli.say import console, progress, say_json
    from sequencer.cli.start_cautions import memory_words
    from sequencer.errors import UsageError
    from sequencer.figure.pins import pin_name
    from sequencer.figure.read import read_figure
    from sequencer.figure.rewrite import write_values
    from sequencer.tables.bus import memory_check_s

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    file = show / "figure.toml" if show.is_dir() else show
    figure = read_figure(file)
    expander = chosen(figure, name)
    output, pin = wire_of(figure, expander, wire)
    where = pin_name(pin, figure.board.kind)
    tell(CAUTIONS)
    starts_s = memory_check_s(figure.board.memory_bytes, figure.board.i2c_khz)
    for line in memory_words(starts_s):
        tell(line)
    transport = open_port(port, speed=None, state=state, kind=figure.board.kind)
    try:
        link = on_bench(transport, figure.board.kind, yes, tell, starts_s)
        tell(
            f"Wire output {output} of expander `{name}` to {where} of the board, and nothing else to\n"
            "either (another wire: --wire OUTPUT:PIN). Enter when it is there, q ends."
        )
        with keys() as pressed:
            if wait_for(link, pressed, {"enter", "q", "esc", "end"}) != "enter":
                raise UsageError("ended; nothing was written")
        with progress("oscillator") as bar:
            found = measure_oscillator(
                link, expander.address, output, pin, seconds, lambda share: bar.tell("oscillator", share)
            )
    finally:
        transport.close()
    value = round(found.mhz, 3)
    write_values(file, "expanders", name, lambda _: {"oscillator_mhz": value})
    if as_json:
        say_json(
            {
                "schema": 1,
                "figure": figure.name,
                "file": str(file),
                "expander": name,
                "oscillator_mhz": value,
                "doubt_mhz": round(found.doubt_mhz, 4),
                "before_mhz": expander.oscillator_mhz,
                "flash_again": value != expander.oscillator_mhz,
            }
        )
        return
    before = "not calibrated" if expander.oscillator_mhz is None else f"{expander.oscillator_mhz:g}"
    tell(f"it runs at {value:.3f} MHz, to within {found.doubt_mhz:.3f}")
    tell(f"written to {file} as oscillator_mhz (it was {before}); take the wire off again")
    tell(f"Next: quarterjack flash {show}")


def chosen(figure: Figure, name: str) -> Expander:
    """The expander of that name.

    Raises:
        UsageError: there is none.

    """
    from sequencer.errors import Fault, UsageError
    from sequencer.figure.explain import nearest

    if name in figure.expanders:
        return figure.expanders[name]
    guess = nearest(name, list(figure.expanders))
    raise UsageError(
        Fault(
            f"there is no expander `{name}`" + (f"; did you mean `{guess}`?" if guess else ""),
            file=figure.file,
            remedy=f"use one of: {', '.join(figure.expanders)}"
            if figure.expanders
            else "the figure has no expander",
        )
    )


def wire_of(figure: Figure, expander: Expander, wire: str | None) -> tuple[int, int]:
    """Output and pin of the loop-back wire: as asked (``15:D2``), otherwise the last and first free ones.

    Raises:
        UsageError: a pin or output that is in use or cannot be, or no free one.

    """
    from sequencer.board.bench import pin_number
    from sequencer.errors import Fault, UsageError
    from sequencer.figure.pins import EXPANDER_PIN, pin_name
    from sequencer.firmware.boards import board_description

    single = (figure.servos, figure.switches, figure.inputs, figure.sensors, figure.strings)
    used = {part.pin for parts in single for part in parts.values()}
    used |= {pin for lamp in figure.lamps.values() for pin in (lamp.pin, *lamp.pins)}
    if figure.sound_module is not None:
        used.add(figure.sound_module.pin)
    board = board_description(figure.board.kind)
    first = EXPANDER_PIN + 16 * list(figure.expanders).index(expander.name)
    outputs = [output for output in range(16) if first + output not in used]
    pins = [pin for pin in board.servo_pins if pin not in used and pin not in board.pins.i2c]
    if wire is None:
        if not outputs or not pins:
            raise UsageError("no output or no pin is free for the wire: take one off for so long, --wire")
        return outputs[-1], pins[0]
    left, _, right = wire.partition(":")
    output, pin = (int(left) if left.isascii() and left.isdigit() else -1), pin_number(right)
    if output not in outputs or pin not in pins:
        raise UsageError(
            Fault(
                f"--wire {wire} cannot be",
                remedy=f"OUTPUT:PIN with a free output ({', '.join(map(str, outputs)) or 'none'}) and a free "
                f"pin ({', '.join(pin_name(each, figure.board.kind) for each in pins) or 'none'})",
            )
        )
    return output, pin
