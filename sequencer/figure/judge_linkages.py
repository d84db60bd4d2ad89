"""Findings about linkages that work but could be better: toggles near, cranks far from square, corners."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.crank import Array
from sequencer.figure.fitting import inward, range_around
from sequencer.figure.fourbar import FourBar
from sequencer.figure.mend_pair import fitted_cranks, narrower, said, sound, with_pair
from sequencer.figure.model import Axis, Figure, FourBarDrive, Pair
from sequencer.figure.polygon import CRANK_RAD, GOOD_TOGGLE_RAD, PairReach, reach_of
from sequencer.finding import Finding

#: A pair whose corners are cut to less than this share is told so.
CORNER_SHARE = 0.75
_STEPS = 181
_SLACK_RAD = math.radians(0.5)
#: So many longer cranks are tried.
_TRIES = 8


def linkage_findings(figure: Figure) -> Iterator[Finding]:
    """Notes about every four-bar and pair; geometry that cannot work is refused at reading."""
    for axis in figure.axes.values():
        if isinstance(axis.drive, FourBarDrive):
            link = FourBar(axis.name, axis.drive)
            angles = np.linspace(*axis.range_rad, _STEPS)[:, None]
            toggle = float(np.min(link.toggle_rad(angles)))
            servo = link.servo_rad(angles)
            name = axis.drive.name or axis.name
            if toggle < GOOD_TOGGLE_RAD:
                yield _toggle(axis.name, name, toggle, _fewer_degrees(axis, _far_from_toggle(link)))
            way = float(servo.max() - servo.min()) / 2.0
            if way > CRANK_RAD + _SLACK_RAD:
                yield _way(axis.drive.servo, way, name, _fewer_degrees(axis, _turns_little(link)))
    for name, pair in figure.pairs.items():
        reach = reach_of(figure, name)
        if reach.toggle_rad < GOOD_TOGGLE_RAD:
            less = narrower(figure, pair, lambda other: other.toggle_rad >= GOOD_TOGGLE_RAD)
            yield _toggle(pair.axes[0], name, reach.toggle_rad, less)
        ways = [max(abs(low), abs(high)) for low, high in reach.crank_rad]
        if max(ways) > CRANK_RAD + _SLACK_RAD:
            # One advice for both cranks, which cures both.
            longer = _longer_cranks(figure, pair, reach)
            advice = f"{longer} and build it so" if longer else narrower(figure, pair, _square_enough)
            for crank, way in zip(pair.cranks, ways, strict=True):
                if way > CRANK_RAD + _SLACK_RAD:
                    yield _way(crank.servo, way, name, advice)
        worst = min(reach.corners, key=lambda corner: corner.share)
        if worst.share < CORNER_SHARE:
            first, second = (math.degrees(angle) for angle in worst.axis_rad)
            yield Finding(
                "reach",
                "note",
                None,
                pair.axes[0],
                None,
                100.0 * worst.share,
                100.0 * CORNER_SHARE,
                "%",
                f"linkage {name}: of the way to {pair.axes[0]} {first:.0f} with {pair.axes[1]} {second:.0f} "
                f"deg only {100 * worst.share:.0f} % can be reached",
                _written(narrower(figure, pair, _corners_kept))
                + "leave it when scenes do not use the corners, or record wider ends_us if there is room",
            )


def _corners_kept(reach: PairReach) -> bool:
    return min(corner.share for corner in reach.corners) >= CORNER_SHARE


def _way_of(reach: PairReach) -> float:
    """How far the cranks of a pair turn from the middle at most."""
    return max(abs(end) for ends in reach.crank_rad for end in ends)


def _square_enough(reach: PairReach) -> bool:
    return _way_of(reach) <= CRANK_RAD + _SLACK_RAD


def _longer_cranks(figure: Figure, pair: Pair, reach: PairReach) -> str | None:
    """Longer cranks, with rods that fit them, that turn little, as lines to type in."""
    most = CRANK_RAD + _SLACK_RAD
    share, way = 1.0, _way_of(reach)
    for _ in range(_TRIES):
        # The joint's way, crank times sin(way), is what the head needs.
        share *= max(1.01, math.sin(min(way, math.pi / 2.0)) / math.sin(CRANK_RAD))
        other = fitted_cranks(pair, share)
        way = 0.0
        if sound(figure, other):
            way = _way_of(reach_of(with_pair(figure, other), pair.name))
            if way <= most:
                return said(pair, other)
    return None


def _far_from_toggle(link: FourBar) -> Callable[[Array], NDArray[np.bool_]]:
    return lambda angles: link.toggle_rad(angles[:, None]) >= GOOD_TOGGLE_RAD


def _turns_little(link: FourBar) -> Callable[[Array], NDArray[np.bool_]]:
    """Angles to which the crank turns at most 45 degrees from home: 90 in all, if both ways are used."""

    def good(angles: Array) -> NDArray[np.bool_]:
        servo = link.servo_rad(angles[:, None])[:, 0]
        near: NDArray[np.bool_] = np.abs(servo - servo[0]) <= CRANK_RAD
        return near

    return good


def _fewer_degrees(axis: Axis, good_at: Callable[[Array], NDArray[np.bool_]]) -> str | None:
    """A range around home that fits, as a line to type in; None when it leaves nothing, or not parked."""
    low, high = inward(*range_around(axis, good_at))
    inside = low <= math.degrees(axis.parked_rad) <= high
    return f"range_deg = [{low:g}, {high:g}] in [axes.{axis.name}]" if low < high and inside else None


def _written(advice: str | None) -> str:
    return f"write {advice}, or " if advice else ""


def _toggle(channel: str, linkage: str, toggle_rad: float, advice: str | None) -> Finding:
    return Finding(
        "reach",
        "note",
        None,
        channel,
        None,
        math.degrees(toggle_rad),
        math.degrees(GOOD_TOGGLE_RAD),
        "deg",
        f"linkage {linkage}: comes within {math.degrees(toggle_rad):.0f} deg of a toggle, where it has "
        "play and little to push with (common practice: at least 30)",
        _written(advice) + "change a length until crank and rod are square in the middle of the way",
    )


def _way(servo: str, way_rad: float, linkage: str, advice: str | None) -> Finding:
    return Finding(
        "reach",
        "note",
        None,
        servo,
        None,
        math.degrees(way_rad),
        math.degrees(CRANK_RAD),
        "deg",
        f"linkage {linkage}: the crank of servo `{servo}` turns {math.degrees(way_rad):.0f} deg from the "
        "middle (common practice: at most 45)",
        f"write {advice}, or leave it when scenes use less of the ranges"
        if advice
        else "let scenes use less of the ranges, or build it with longer cranks",
    )
