"""Live control of a pair: both tracks' points stay in the pair's polygon, with every way to rest.

A step of both is taken only if both tails together keep every face, point by point, in integers. Steps are
tried in this order, the first that keeps all is taken:

1. each track's own quickest step toward the target, then toward a half and a quarter of the way to it;
2. both tracks with their limits scaled in proportion to their distances. The law scales with its limits, so
   what moves along a straight line to the target goes on along it: the pair slides along a face;
3. the next points of the tails. The target then counts as barred: until it changes, it is gone for from rest
   by straight lines only (the law of 2, kept to as long as the target stays). Between two places of a
   convex polygon a straight line cannot leave it; where rounding on a face forbids the first point of one, a
   short one off the face goes before. So a target that stays is reached.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sequencer.errors import InputError, PlanError
from sequencer.motion.brake import Brake
from sequencer.motion.live import LiveTrack, Tick, Way
from sequencer.motion.model import PairSpec, TrackSpec
from sequencer.motion.round import SETTLE_LSB

#: Shares of the way to the target that the tracks' own steps are tried for.
_SHARES = (1.0, 0.5, 0.25)
#: How far (LSB) toward the polygon's middle a line off a face may go.
_OFF_FACE = (8.0, 64.0, 512.0)
#: Slack of "inside" in face units: far below a rounding.
_TINY = 1e-6
_Place = tuple[float, float]


@dataclass(frozen=True)
class _Line:
    """A straight way from rest to ``end``, begun for the target ``aim``."""

    aim: _Place
    end: _Place
    brakes: tuple[Brake, Brake]


class LivePair:
    """The two tracks of ``pair``, driven by targets; ``starts`` and ``share`` as of :class:`.live.LiveTrack`.

    Targets keep two roundings' distance from the faces: one for the target, one for the points near it.
    Raises :class:`InputError` when the tracks don't share their knots or there is no way to rest from
    ``starts``, :class:`PlanError` when the polygon has no room.
    """

    def __init__(
        self,
        pair: PairSpec,
        specs: Sequence[TrackSpec],
        starts: Sequence[Sequence[int]] | None = None,
        share: float = 1.0,
    ) -> None:
        one, other = specs
        if (one.knot_s, one.lsb_exponent) != (other.knot_s, other.lsb_exponent):
            raise InputError(f"pair {pair.name}: tracks {one.name} and {other.name} have different knots")
        first, second = (None, None) if starts is None else starts
        self.pair = pair
        self.tracks = (LiveTrack(one, first, share), LiveTrack(other, second, share))
        self._faces = tuple((face.a, face.b, face.inner) for face in pair.faces)
        self._edges = self._target_edges()
        self._corners = self._meet()
        if not self._corners:
            raise PlanError(f"pair {pair.name}: its polygon leaves nothing of the tracks' ranges")
        self._middle = (
            math.fsum(x for x, _ in self._corners) / len(self._corners),
            math.fsum(y for _, y in self._corners) / len(self._corners),
        )
        if not self._keeps(self.tracks[0].rest, self.tracks[1].rest):
            raise InputError(f"pair {pair.name}: no way to rest inside its polygon from where it starts")
        self._line: _Line | None = None
        self._barred: _Place | None = None

    def tail(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """The points that bring both tracks to rest, of equal number; legal to send ahead of any silence."""
        one, other = self.tracks[0].tail(), self.tracks[1].tail()
        knots = max(len(one), len(other))
        return one + one[-1:] * (knots - len(one)), other + other[-1:] * (knots - len(other))

    def tick(self, targets: Sequence[float] | None) -> tuple[Tick, Tick]:
        """The points of the next knot. ``targets`` in LSB of each track; None brakes along the tails.

        Targets outside box or polygon are moved to the nearest pair inside; a pair in which one is no number
        leaves the last ones in place. The answer says so.
        """
        one, other = self.tracks
        if targets is None:
            self._line = self._barred = None
            return one.tick(None), other.tick(None)
        kept = not all(math.isfinite(target) for target in targets)
        clamped = False
        if not kept:
            asked = (one.place_of(targets[0]), other.place_of(targets[1]))
            near = self._nearest(asked)
            clamped = near != asked
            one.head_for(near[0])
            other.head_for(near[1])
        aim = (one.place_of(one.target), other.place_of(other.target))
        for way, beside, line in self._tries(aim):
            if way is not None and beside is not None and self._keeps(way, beside):
                self._line = line
                one.take(way)
                other.take(beside)
                break
        else:
            self._line, self._barred = None, aim
            one.take(one.rest)
            other.take(other.rest)
        return one.told(clamped, kept), other.told(clamped, kept)

    def take_over(self, one: LiveTrack, other: LiveTrack) -> None:
        """Go on from tracks that moved by themselves."""
        self.tracks = (one, other)
        self._line = self._barred = None

    def stop(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """:meth:`tail`, taken as sent: the pair then rests at its end."""
        sent = self.tail()
        for _ in sent[0]:
            self.tick(None)
        return sent

    def _tries(self, aim: _Place) -> Iterator[tuple[Way | None, Way | None, _Line | None]]:
        one, other = self.tracks
        moving = one.moving or other.moving
        line = self._line
        if line is not None and line.aim == aim and (moving or line.end != (one.place, other.place)):
            yield one.way_to(line.brakes[0], line.end[0]), other.way_to(line.brakes[1], line.end[1]), line
        if moving or self._barred != aim:
            for share in _SHARES:
                x, y = one.end + share * (aim[0] - one.end), other.end + share * (aim[1] - other.end)
                yield one.way_to(one.brake, x), other.way_to(other.brake, y), None
            if moving:
                yield self._straight(aim, aim)
        if not moving:
            yield self._straight(aim, aim)
            away = (self._middle[0] - one.place, self._middle[1] - other.place)
            for off in _OFF_FACE:
                part = min(1.0, off / max(1.0, math.hypot(*away)))
                x, y = one.nearest(one.place + part * away[0]), other.nearest(other.place + part * away[1])
                yield self._straight((x, y), aim)

    def _straight(self, end: _Place, aim: _Place) -> tuple[Way | None, Way | None, _Line | None]:
        """The step toward ``end`` with limits in proportion; from rest it begins a line."""
        one, other = self.tracks
        brakes = _in_proportion((one.brake, other.brake), (abs(end[0] - one.end), abs(end[1] - other.end)))
        line = None if one.moving or other.moving else _Line(aim, end, brakes)
        return one.way_to(brakes[0], end[0]), other.way_to(brakes[1], end[1]), line

    def _keeps(self, way: Way, beside: Way) -> bool:
        """Whether all pairs of points of two ways keep all faces; the shorter way rests at its end."""
        x = y = 0
        for next_x, next_y in itertools.zip_longest(way.points, beside.points):
            x = x if next_x is None else next_x
            y = y if next_y is None else next_y
            for a, b, limit in self._faces:
                if a * x + b * y > limit:
                    return False
        return True

    def _target_edges(self) -> list[tuple[float, float, float]]:
        """The faces less two roundings and the box, as a * x + b * y <= limit in places."""
        one, other = self.tracks
        roundings = 1.0 + SETTLE_LSB
        edges = [
            (
                float(face.a),
                float(face.b),
                face.inner
                + face.a * one.place_of(0)
                + face.b * other.place_of(0)
                - roundings * (abs(face.a) + abs(face.b)),
            )
            for face in self.pair.faces
        ]
        for sign in (-1.0, 1.0):
            edges.append((sign, 0.0, 0.5 * (one.spec.high - one.spec.low)))
            edges.append((0.0, sign, 0.5 * (other.spec.high - other.spec.low)))
        return edges

    def _within(self, place: _Place) -> bool:
        return all(a * place[0] + b * place[1] <= limit + _TINY for a, b, limit in self._edges)

    def _meet(self) -> list[_Place]:
        """The corners of what targets may be."""
        corners = []
        for (a, b, limit), (c, d, other) in itertools.combinations(self._edges, 2):
            area = a * d - b * c
            if area:
                corner = ((limit * d - b * other) / area, (a * other - limit * c) / area)
                if self._within(corner):
                    corners.append(corner)
        return corners

    def _nearest(self, asked: _Place) -> _Place:
        """The nearest place that a target may be: the place itself, its foot on an edge, or a corner."""
        if self._within(asked):
            return asked
        feet = []
        for a, b, limit in self._edges:
            over = (a * asked[0] + b * asked[1] - limit) / (a * a + b * b)
            foot = (asked[0] - over * a, asked[1] - over * b)
            if over > 0.0 and self._within(foot):
                feet.append(foot)
        return min(feet or self._corners, key=lambda p: math.hypot(p[0] - asked[0], p[1] - asked[1]))


def _in_proportion(brakes: tuple[Brake, Brake], distances: tuple[float, float]) -> tuple[Brake, Brake]:
    """Limits in proportion to the distances, the largest that no track has less of."""
    if not all(distances):  # one track moves, or none: a line by itself
        return brakes
    both = tuple(zip(brakes, distances, strict=True))
    velocity = min(brake.velocity / distance for brake, distance in both)
    acceleration = min(brake.acceleration / distance for brake, distance in both)
    jerk = min(brake.jerk / distance for brake, distance in both)
    one, other = (
        Brake(velocity * distance, acceleration * distance, jerk * distance) for distance in distances
    )
    return one, other
