"""What must be true before a real figure may move."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.figure.model import Figure


def require_ends(figure: Figure) -> None:
    """Refuse a real board while a servo's ends are unknown.

    Raises:
        UsageError: names every servo without recorded ends.

    """
    from sequencer.errors import Fault, UsageError

    faults = [
        Fault(
            f"servo `{servo.name}` has no recorded ends, so nobody knows where its mechanism binds",
            file=figure.file,
            line=servo.line,
            quantity="ends_us",
            value="not recorded",
            remedy=f"quarterjack calibrate --only {servo.name} finds and writes them; "
            "or try the scene first with --port virtual",
        )
        for servo in figure.servos.values()
        if servo.ends_us is None
    ]
    if faults:
        raise UsageError.from_faults(faults)


def require_calibrated(figure: Figure) -> None:
    """Refuse to play on a real board while servos stay off because their expander is not calibrated.

    Raises:
        UsageError: names every such expander.

    """
    from sequencer.errors import Fault, UsageError
    from sequencer.figure.expanders import expander_of

    waiting = {
        expander.name: expander
        for expander in (expander_of(figure, servo) for servo in figure.servos.values())
        if expander is not None and expander.oscillator_mhz is None
    }
    faults = [
        Fault(
            f"the servos of expander `{name}` get no pulses: its oscillator is not calibrated",
            file=figure.file,
            line=expander.line,
            quantity="oscillator_mhz",
            value="not measured",
            remedy="wire a free output of it to a free pin and run `quarterjack calibrate --expander NAME`; "
            "or try the scene first with --port virtual",
        )
        for name, expander in waiting.items()
    ]
    if faults:
        raise UsageError.from_faults(faults)
