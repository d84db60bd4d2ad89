"""Which angles a linkage can really take, and the words for a range that asks for more."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.crank import Array
from sequencer.figure.explain import Reporter
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Axis, Servo
from sequencer.figure.polygon import LEAST_TOGGLE_RAD, servo_window_us

#: A range is looked at in so many steps.
STEPS = 721
#: Lengths that are tried instead, as shares of the one that is given; a slip of the decimal point is a tenth.
_OTHER_LENGTHS = np.concatenate(
    [
        *(1.0 + 0.01 * np.arange(1, 101), 1.0 - 0.01 * np.arange(1, 61)),
        *(2.0 * 1.02 ** np.arange(1, 83), 0.4 * 0.98 ** np.arange(1, 70)),
    ]
)


def mm(length_m: float) -> str:
    """Millimetres to a tenth."""
    return f"{1000.0 * length_m:.1f}"


def inward(low_rad: float, high_rad: float) -> tuple[float, float]:
    """Degrees to type in: rounded to tenths toward the inside."""
    return math.ceil(math.degrees(low_rad) * 10 - 1e-6) / 10, math.floor(
        math.degrees(high_rad) * 10 + 1e-6
    ) / 10


def fits(poses: Array, link: Linkage, servos: list[Servo]) -> NDArray[np.bool_]:
    """(n,): the linkage closes, no toggle is near, and every servo may be given its pulse."""
    centres = np.array([servo.centre_us for servo in servos])
    pulses = centres + link.servo_rad(poses) * np.array([servo.us_per_rad for servo in servos])
    low, high = np.array([servo_window_us(servo) for servo in servos]).T
    with np.errstate(invalid="ignore"):
        inside = np.all((pulses >= low - 1e-6) & (pulses <= high + 1e-6), axis=1)
        fine: NDArray[np.bool_] = inside & (link.toggle_rad(poses) >= LEAST_TOGGLE_RAD - 1e-9)
    return fine


def why_not(poses: Array, link: Linkage, servos: list[Servo]) -> str:
    """What hinders a linkage at ``poses`` (n, k), in words."""
    angles = link.servo_rad(poses)
    if not bool(np.all(np.isfinite(angles))):
        return "the rods cannot follow it"
    least = float(np.min(link.toggle_rad(poses)))
    if least < LEAST_TOGGLE_RAD - 1e-9:
        return (
            f"it comes within {math.degrees(least):.0f} degrees of a toggle "
            f"(at least {math.degrees(LEAST_TOGGLE_RAD):.0f})"
        )
    beyond = []
    for servo, column in zip(servos, angles.T, strict=True):
        pulses = servo.centre_us + servo.us_per_rad * column
        low, high = servo_window_us(servo)
        if pulses.min() < low - 1e-6 or pulses.max() > high + 1e-6:
            ends = "the recorded ends" if servo.ends_us is not None else "the pulse range"
            beyond.append(f"{ends} of servo `{servo.name}`")
    return f"it goes beyond {' and '.join(beyond)}"


def range_around(axis: Axis, good_at: Callable[[Array], NDArray[np.bool_]]) -> tuple[float, float]:
    """The angles around home that fit, as far as the range goes."""
    found = []
    for end in axis.range_rad:
        good = good_at(np.linspace(axis.home_rad, end, STEPS))
        share = 1.0 if good.all() else max(0, int(np.argmin(good)) - 1) / (STEPS - 1)
        found.append(axis.home_rad + share * (end - axis.home_rad))
    return found[0], found[1]


def range_fault(
    axis: Axis,
    low_rad: float,
    high_rad: float,
    why: str,
    other: str | None,
    reporter: Reporter,
    elsewhere: tuple[float, float] | None = None,
) -> None:
    """The fault of a range of which only ``low_rad`` to ``high_rad`` can be reached.

    ``other`` is what could be built instead, as a line to type in; ``elsewhere`` a part of the range that
    can be reached when home cannot.
    """
    low, high = inward(low_rad, high_rad)
    given = [math.degrees(end) for end in axis.range_rad]
    if low < high:
        ways = [f"range_deg = [{low:g}, {high:g}] or less"]
    else:
        ways = [] if elsewhere is None else [elsewhere_words(axis, *elsewhere)]
    ways += [] if other is None else [other]
    reporter.add(
        ("axes", axis.name, "range_deg"),
        f"the range cannot be reached: {why}",
        value=f"[{given[0]:g}, {given[1]:g}] deg",
        limit=f"[{low:g}, {high:g}] deg" if low < high else "none around home",
        remedy=f"write {', or '.join(ways)}"
        if ways
        else "measure the lengths and crank_deg again: with none other near them it would work",
    )


def elsewhere_words(axis: Axis, low_rad: float, high_rad: float) -> str:
    """A range away from home with the home and parked angles that it needs, as lines to type in."""
    low, high = inward(low_rad, high_rad)
    middle = math.degrees(low_rad + high_rad) / 2.0
    parked = math.degrees(axis.parked_rad)
    lines = f"range_deg = [{low:g}, {high:g}] with home_deg = {middle:.0f}"
    return lines if low <= parked <= high else f"{lines} and parked_deg = {middle:.0f}"


def widest_stretch(axis: Axis, good_at: Callable[[Array], NDArray[np.bool_]]) -> tuple[float, float] | None:
    """The widest part of a range that fits, of 2 degrees or more; None when there is none."""
    angles = np.linspace(*axis.range_rad, STEPS)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good_at(angles), [False]]).astype(int)))
    runs = [
        (float(angles[one]), float(angles[two - 1])) for one, two in zip(edges[::2], edges[1::2], strict=True)
    ]
    best = max(runs, key=lambda run: run[1] - run[0], default=None)
    return best if best is not None and best[1] - best[0] >= math.radians(2.0) else None


def other_shares() -> Iterator[float]:
    """Shares of a length to try instead of it, the nearest first."""
    yield from sorted((float(share) for share in _OTHER_LENGTHS), key=lambda share: abs(math.log(share)))
