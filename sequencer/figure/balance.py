"""Which axes stay where they are without power: gravity at rest against the least friction there may be."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from sequencer.figure import doubt
from sequencer.figure.drives import track_of
from sequencer.figure.dynamics import Dynamics
from sequencer.figure.linkage import linkages
from sequencer.figure.model import Figure
from sequencer.finding import Finding
from sequencer.units import kgcm_from_n_m


@dataclass(frozen=True)
class AtRest:
    """What pulls an axis in a pose, and the least friction that keeps it there, N m."""

    axis: str
    pull_n_m: float
    friction_n_m: float

    @property
    def stays(self) -> bool:
        """Whether it stays there without power."""
        return self.pull_n_m <= self.friction_n_m


def at_rest(figure: Figure) -> dict[str, AtRest]:
    """Every axis at home, all the others at home too. Springs and counterweights are counted."""
    return _at(figure, {name: axis.home_rad for name, axis in figure.axes.items()})


def fall_when_parked(figure: Figure) -> list[str]:
    """Axes that gravity moves from the parked pose, unless something that nobody has told of holds them."""
    parked = _at(figure, {name: axis.parked_rad for name, axis in figure.axes.items()})
    return [name for name, found in parked.items() if not found.stays]


def _at(figure: Figure, pose_rad: Mapping[str, float]) -> dict[str, AtRest]:
    if not figure.axes:
        return {}
    holding = Dynamics(figure).holding({name: np.array([angle]) for name, angle in pose_rad.items()})
    return {
        name: AtRest(name, abs(float(holding[name][0])), doubt.friction(axis).low)
        for name, axis in figure.axes.items()
    }


def balanced_tracks(figure: Figure) -> set[str]:
    """Tracks that may lose their pulses at rest: every axis that they move stays by itself."""
    axes = at_rest(figure)
    return {
        track_of(figure, servo)
        for link in linkages(figure)
        if all(axes[name].stays for name in link.axes)
        for servo in link.servos
    }


def findings(figure: Figure) -> Iterator[Finding]:
    """An axis that is to fall silent and would fall; what parking an axis means for who stands below."""
    axes = at_rest(figure)
    for name, axis in figure.axes.items():
        if axis.release_at_rest and not axes[name].stays:
            pull, friction = (kgcm_from_n_m(n) for n in (axes[name].pull_n_m, axes[name].friction_n_m))
            yield Finding(
                *("torque", "error", None, name, None, pull, friction, "kg cm"),
                message=f"`{name}` would fall when it is released at rest: gravity takes {pull:.2g} kg cm "
                f"there, and friction may be as little as {friction:.2g} kg cm",
                remedy=f"balance {name} with a counterweight or spring, measure its friction with pulls, or "
                "write release_at_rest = false",
            )
        if axis.on_stop == "park":
            yield Finding(
                *("torque", "note", None, name, None, None, None, None),
                message=f"a stop lets `{name}` go: it moves to its parked pose first, and falls from there "
                "if that is not where it comes to lie without power",
                remedy=f"let {name} lie against its rest when it is parked (parked_deg), keep hands from "
                'under it, or write on_stop = "freeze"',
            )
