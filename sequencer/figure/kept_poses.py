"""Which of home and parked a pair cannot keep, and how far it would have to go to be kept."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sequencer.errors import FigureError
from sequencer.figure.crank import Array
from sequencer.figure.explain import Reporter
from sequencer.figure.model import Figure, Pair
from sequencer.figure.polygon import reach_of

_HALVINGS = 9


def explain(figure: Figure, pair: Pair, reporter: Reporter) -> bool:
    """The fault of the pose that cannot be kept, with the angles that can; False when it is neither.

    Parked goes toward home until it is kept, home toward the middle of the ranges.
    """
    axes = [figure.axes[name] for name in pair.axes]
    home = np.array([axis.home_rad for axis in axes])
    parked = np.array([axis.parked_rad for axis in axes])
    follows = bool(np.allclose(home, parked))
    if not follows and _kept(figure, pair, home, home):
        far = _farthest(parked, home, lambda pose: _kept(figure, pair, home, pose))
        return _told(pair, "parked", parked, far, reporter)
    middle = np.array([sum(axis.range_rad) / 2.0 for axis in axes])
    far = _farthest(home, middle, lambda pose: _kept(figure, pair, pose, pose if follows else parked))
    return _told(pair, "home", home, far, reporter)


def _kept(figure: Figure, pair: Pair, home: Array, parked: Array) -> bool:
    axes = dict(figure.axes)
    for index, name in enumerate(pair.axes):
        axes[name] = replace(axes[name], home_rad=float(home[index]), parked_rad=float(parked[index]))
    try:
        reach_of(replace(figure, axes=axes), pair.name)
    except FigureError:
        return False
    return True


def _farthest(wanted: Array, toward: Array, good: Callable[[Array], bool]) -> Array | None:
    """The pose nearest to ``wanted`` on the way to ``toward`` that is good, in whole tenths of a degree."""

    def tenths(share: float) -> Array:
        """Rounded toward ``toward``."""
        steps = np.degrees(toward + share * (wanted - toward) - toward) * 10.0
        # An angle that is not moved at all stays as it was written.
        moved: Array = np.where(wanted == toward, toward, toward + np.radians(np.trunc(steps) / 10.0))
        return moved

    low, high = 0.0, 1.0
    found = tenths(0.0)
    if not good(found):
        return None
    for _ in range(_HALVINGS):
        share = (low + high) / 2.0
        tried = tenths(share)
        if good(tried):
            low, found = share, tried
        else:
            high = share
    return found


def _told(pair: Pair, which: str, asked: Array, kept: Array | None, reporter: Reporter) -> bool:
    if kept is None:
        return False
    names = [name for name, moved in zip(pair.axes, asked != kept, strict=True) if moved]
    angles = dict(zip(pair.axes, zip(np.degrees(asked), np.degrees(kept), strict=True), strict=True))
    lines = " and ".join(f"{which}_deg = {_shown(angles[name][1])} in [axes.{name}]" for name in names)
    reporter.add(
        ("axes", names[0], f"{which}_deg"),
        f"the {'parked pose' if which == 'parked' else 'home pose'} cannot be kept: it lies at the border of "
        f"what the two servos of `{pair.name}` reach together",
        value=", ".join(f"{name} {_shown(angles[name][0])} deg" for name in pair.axes),
        limit=", ".join(f"{name} {_shown(angles[name][1])} deg" for name in pair.axes),
        remedy=f"write {lines}, or record the servos' ends_us again if there is room",
    )
    return True


def _shown(angle_deg: float) -> str:
    return f"{math.copysign(round(abs(angle_deg), 1), angle_deg) + 0.0:g}"
