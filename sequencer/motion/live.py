"""Live control within a track's limits: one control point a knot, always with a legal way to rest behind it.

The newest target wins. Each knot, :class:`LiveTrack` takes the quickest third-order step toward it
(:mod:`.brake`), rounds the point as plans are rounded, and keeps the whole way to rest from there, in
integers, as its *tail*. A step whose tail breaks a bound is not taken: the next point of the old
tail is. So whatever the targets do, and whenever they stop coming, the track can come to rest legally.

*What the board checks* of a streamed point c against the three that it has, c1 (newest), c2, c3::

    low <= c <= high
    |c - c1|               <= bounds[0]
    |c - 2 c1 + c2|        <= bounds[1]
    |c - 3 c1 + 3 c2 - c3| <= bounds[2]
    a * c + b * c'         <= inner        for each face of a pair, c' the other track's point

These are the certificate's own inequalities (:mod:`.certificate`, :mod:`.polygon`); held for each point, they
hold for the curve at every moment.

*Why it is legal.* The points behind the rounded ones are real numbers within the bounds less
:data:`.round.TIGHTENING`, as in a plan, so that no rounding breaks a bound. That is the reason, not
the proof: each tail is compared in integers before its first point is sent.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.errors import Fault, InputError
from sequencer.motion.brake import NEAR, STILL, Brake
from sequencer.motion.model import TrackSpec
from sequencer.motion.round import TIGHTENING

#: Points that say rest: three equal ones.
REST_POINTS = 3


@dataclass(frozen=True)
class Tick:
    """What one knot did. ``point`` is to be sent; all lengths are in LSB of the track.

    ``target`` is what the track is on its way to: the newest one, moved into the box (and polygon) when
    ``clamped``; when ``kept`` the newest was no number and the one before it holds. ``lag`` is target less
    point: the curve passes a point one knot and a half after the span that it is the newest point of began.
    ``resting``: the last three points are equal and nothing is left to do.
    """

    point: int
    target: int
    clamped: bool
    kept: bool
    lag: int
    resting: bool


#: Sides of three points on which the real ones may lie, nearest first.
_BESIDE = sorted(itertools.product((0, -1, 1), repeat=3), key=lambda sides: sum(map(abs, sides)))


@dataclass(frozen=True)
class Way:
    """A way to rest: the next points as integers, and v, a and place of the real points behind them."""

    points: tuple[int, ...]
    states: tuple[tuple[float, float, float], ...]


class LiveTrack:
    """One track, driven by targets.

    ``start`` holds the last three points that the board has (oldest first), default at rest at ``spec.rest``.
    ``share`` of the bounds may be used. Raises :class:`InputError` when there is no legal way to rest from
    ``start``.
    """

    def __init__(self, spec: TrackSpec, start: Sequence[int] | None = None, share: float = 1.0) -> None:
        if not 0.0 < share <= 1.0:
            raise InputError(f"track {spec.name}: a share of {share:g} of the limits is not between 0 and 1")
        # Nobody reckons torque ahead of a puppeteer's hand: constant limits hold whatever scenes may do.
        spec = spec.calm
        self.spec = spec
        bounds = (
            max(share * bound - less, 0.5 * share * bound)
            for bound, less in zip(spec.bounds, TIGHTENING, strict=True)
        )
        self.brake = Brake(*bounds)
        # places count from the middle of the box, so that a mirrored stream is mirrored to the last bit
        self._odd = (spec.low + spec.high) % 2
        self._middle = (spec.low + spec.high) // 2
        if start is None:
            start = (spec.rest,) * REST_POINTS
        if len(start) != REST_POINTS:
            raise InputError(f"track {spec.name}: live control starts from three points, not {len(start)}")
        c3, c2, c1 = (int(point) for point in start)
        self._past = (c3, c2, c1)
        self._v, self._a = float(c1 - c2), float(c1 - 2 * c2 + c3)
        #: Where the real point behind the last integer is, from the middle of the box.
        self.place = self.place_of(c1)
        self.target = c1
        way = self._first_way()
        if way is None or not all(spec.low <= point <= spec.high for point in self._past):
            raise InputError(
                Fault(
                    f"track {spec.name}: no way to rest within the limits from the points {c3}, {c2}, {c1}",
                    quantity="start of live control",
                    limit=f"{spec.low} to {spec.high}, differences up to {', '.join(map(str, spec.bounds))}",
                    remedy="start live control from rest, or from points of a certified scene",
                )
            )
        #: The way that is played unless a better one is found: the tail.
        self.rest = way

    def _first_way(self) -> Way | None:
        """A way to rest from where the track begins.

        The real points behind those given lie up to half a step beside them. When the brake does not get
        along with these themselves, others are tried, the nearest first, and then the bounds in full.
        """
        v, a, place = self._v, self._a, self.place
        ahead = 0.5 if v >= 0.0 else -0.5
        for brake in (self.brake, Brake(*map(float, self.spec.bounds))):
            for first, middle, last in _BESIDE:
                self._v = v + ahead * (last - middle)
                self._a = a + ahead * (last - 2 * middle + first)
                self.place = place + ahead * last
                way = self._way(brake, brake.next(self._v, self._a))
                if way is not None:
                    return way
        return None

    def place_of(self, value: float) -> float:
        """A value in LSB as a place from the middle of the box."""
        return value - self._middle - 0.5 * self._odd

    def _whole(self, place: float, came: float) -> int:
        """The integer nearest to ``place``; a half goes back to where it ``came`` from (a direction)."""
        # each branch is exact: no sum with a half loses the last bit when the box has an odd middle
        if came >= 0.0:
            return self._middle + math.ceil(place if self._odd else place - 0.5)
        return self._middle + self._odd + math.floor(place if self._odd else place + 0.5)

    @property
    def end(self) -> float:
        """Where the tail ends, as a place."""
        return self.rest.states[-1][2]

    @property
    def moving(self) -> bool:
        """Whether the last three points differ, or the real points behind them still move."""
        c3, c2, c1 = self._past
        return not c3 == c2 == c1 or self._v != 0.0 or self._a != 0.0

    @property
    def last(self) -> int:
        """The point taken last."""
        return self._past[-1]

    def tail(self) -> tuple[int, ...]:
        """The points that bring the track to rest from the last one sent; at least one.

        After them the track rests: the last three points, sent ones counted, are equal. Legal whatever was
        sent so far, so a host may send them ahead of any silence.
        """
        return self.rest.points

    def tick(self, target: float | None) -> Tick:
        """The point of the next knot. ``target`` in LSB; None brakes along the tail.

        A target outside the box is moved to its edge, one that is no number leaves the last one in place;
        the answer says so.
        """
        if target is None:
            self.take(self.rest)
            self.target = self.rest.points[-1]
            return self.told(clamped=False, kept=False)
        kept = not math.isfinite(target)
        clamped = not kept and not self.spec.low <= target <= self.spec.high
        if not kept:
            self.head_for(self.place_of(min(max(target, self.spec.low), self.spec.high)))
        self.take(self.way_to(self.brake, self.place_of(self.target)) or self.rest)
        return self.told(clamped, kept)

    def stop(self) -> tuple[int, ...]:
        """:meth:`tail`, taken as sent: the track then rests at its end."""
        sent = self.tail()
        for _ in sent:
            self.tick(None)
        return sent

    def head_for(self, place: float) -> None:
        """Set :attr:`target` to the integer nearest to ``place``."""
        self.target = self._whole(place, place - self.place)

    def nearest(self, place: float) -> float:
        """The place of the integer nearest to ``place``."""
        return self.place_of(self._whole(place, place - self.place))

    def way_to(self, brake: Brake, place: float) -> Way | None:
        """The way whose first step is the quickest toward rest at ``place``, by the limits of ``brake``.

        None when it breaks a bound of the track in integers.
        """
        if abs(place - self.end) <= NEAR:
            return self.rest
        x = brake.toward(self._v, self._a, self.end - self.place, place - self.place)
        return self._way(brake, x)

    def _way(self, brake: Brake, x: float) -> Way | None:
        """The step ``x`` and the quickest brake after it; None when an integer bound is broken."""
        v, a, place = self._v, self._a, self.place
        c3, c2, c1 = self._past
        d1, d2 = c1 - c2, c1 - 2 * c2 + c3
        low, high = self.spec.low, self.spec.high
        most1, most2, most3 = self.spec.bounds
        points: list[int] = []
        states: list[tuple[float, float, float]] = []
        while True:
            a = x
            v += x
            still = abs(v) <= STILL
            if still:  # the real point stays, so must its integer
                v, point = 0.0, c1
            else:
                place += v
                point = self._whole(place, v)
            e1 = point - c1
            e2 = e1 - d1
            if not (
                low <= point <= high
                and -most1 <= e1 <= most1
                and -most2 <= e2 <= most2
                and -most3 <= e2 - d2 <= most3
            ):
                return None
            points.append(point)
            if still and abs(a) <= STILL:
                states.append((0.0, 0.0, place))
                return Way(tuple(points), tuple(states))
            states.append((v, a, place))
            c1, d1, d2 = point, e1, e2
            x = brake.next(v, a)

    def take(self, way: Way) -> None:
        """Play the first step of ``way``; the others are the new tail."""
        point = way.points[0]
        self._v, self._a, self.place = way.states[0]
        self._past = (self._past[1], self._past[2], point)
        if len(way.points) > 1:
            self.rest = Way(way.points[1:], way.states[1:])
            return
        if not self.moving:
            # three equal points: the real ones behind them may be exactly there too
            self.place = self.place_of(point)
        self.rest = Way((point,), ((0.0, 0.0, self.place),))

    def told(self, clamped: bool, kept: bool) -> Tick:
        """The answer about the point just taken."""
        point = self._past[-1]
        resting = point == self.target and not self.moving
        return Tick(point, self.target, clamped, kept, self.target - point, resting)
