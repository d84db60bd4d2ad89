"""``calibrate --clock``: the board's clock against this computer's, written to the figure."""

from __future__ import annotations

from pathlib import Path


def calibrate_clock(show: Path, seconds: float, port: str, state: Path | None, as_json: bool) -> None:
    """Measure by how much the board's clock is fast and write it as ``clock_ppm`` of ``[board]``.

    Raises:
        FigureError: the figure has faults.
        BoardError: the board or its line is in trouble, or its clock cannot be off so far.

    """
    from sequencer.board.clock import measure_clock
    from sequencer.board.connect import open_port
    from sequencer.board.link import Link
    from sequencer.cli.say import console, progress, say_json
    from sequencer.cli.start_cautions import memory_words
    from sequencer.figure.read import read_figure
    from sequencer.figure.rewrite import write_values
    from sequencer.tables.bus import memory_check_s

    def tell(line: str) -> None:
        if not as_json:
            console().print(line, markup=False)

    file = show / "figure.toml" if show.is_dir() else show
    figure = read_figure(file)
    tell(
        "Opening the port may reset the board: a figure that is on it then settles and\n"
        "idles by itself. Keep clear of it."
    )
    starts_s = memory_check_s(figure.board.memory_bytes, figure.board.i2c_khz)
    for words in memory_words(starts_s):
        tell(words)
    transport = open_port(port, speed=None, state=state, kind=figure.board.kind)
    with Link(transport, starts_s=starts_s) as link:
        hello = link.hello()
        tell(f"measuring the clock of {port} for {seconds:g} s; it is truest when warm")
        with progress("clock") as bar:
            rate = measure_clock(link, seconds, lambda share: bar.tell("clock", share))
    before = figure.board.clock_ppm
    value = round(rate.fast_ppm)
    write_values(file, "board", None, lambda _: {"clock_ppm": value})
    if as_json:
        say_json(
            {
                "schema": 1,
                "figure": figure.name,
                "file": str(file),
                "clock_ppm": value,
                "doubt_ppm": round(rate.doubt_ppm, 1),
                "before_ppm": before,
                "seconds": seconds,
                "flash_again": value != before and hello.image_crc != 0,
            }
        )
        return
    doubt = f"to within {rate.doubt_ppm:.0f} millionths and what this computer's own clock is off"
    if value == 0:
        tell(f"it is right, {doubt}")
    else:
        way = "fast" if value > 0 else "slow"
        tell(f"it is {abs(value)} millionths {way}, {abs(value) * 36e-4:.1f} s an hour,\n{doubt}")
    tell(f"written to {file} as clock_ppm (it was {before:g})")
    tell(f"Next: quarterjack flash {show}; without a computer the board then keeps that time")
