"""What a track plays at worst: the form in which the compiled core answers for a transition."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


class Bounded(Protocol):
    """What a track's control points and their differences must keep: a spec, or its record in an image."""

    @property
    def low(self) -> int: ...  # noqa: D102 - the names say it
    @property
    def high(self) -> int: ...  # noqa: D102
    @property
    def bounds(self) -> tuple[int, int, int]: ...  # noqa: D102


@dataclass(frozen=True)
class Worst:
    """The extreme control points and absolute differences of one track, in LSB."""

    low: int
    high: int
    d1: int
    d2: int
    d3: int

    def within(self, spec: Bounded) -> bool:
        """Whether position, velocity, acceleration and jerk keep the track's certified bounds."""
        d1, d2, d3 = spec.bounds
        inside = spec.low <= self.low and self.high <= spec.high
        return inside and self.d1 <= d1 and self.d2 <= d2 and self.d3 <= d3


def joined(parts: Sequence[Worst]) -> Worst:
    """The worst of several, at least one."""
    return Worst(
        min(p.low for p in parts),
        max(p.high for p in parts),
        max(p.d1 for p in parts),
        max(p.d2 for p in parts),
        max(p.d3 for p in parts),
    )
