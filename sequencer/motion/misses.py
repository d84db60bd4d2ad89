"""What the played motion misses of what the author cares about, measured: accents and imported swings.

Accents are looked at on the played curve at their time. An imported curve keeps its timing and loses
amplitude: each of its swings, from one turn to the next, is held against what is played about the same turns.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.figure.model import Axis
from sequencer.motion.linked import Linkage
from sequencer.motion.model import TrackPlan
from sequencer.motion.peak import evaluate
from sequencer.motion.spline import Floats
from sequencer.timeline.model import GRID_S, Accent, AxisWish, Sampled, Shortfall, Timeline
from sequencer.timeline.say import angle_words, clock, two
from sequencer.units import deg_from_rad, rad_from_deg

#: An axis this far from an accent has missed it.
MISSED_RAD = rad_from_deg(0.5)
#: How long after an accent it is looked for.
LATE_S = 2.0
#: A swing that loses less than this, or than this share of itself, is kept.
LOST_RAD, LOST_SHARE = rad_from_deg(1.0), 0.15
#: A swing that keeps this share of itself is still the swing that was asked for: its loss is a note.
ENOUGH_SHARE = 0.5
#: A remedy leaves this share of what would be told.
_KEPT = 0.8
#: A turn is looked for this far about where the curve turns.
_ABOUT_S = 0.02


@dataclass(frozen=True)
class _Played:
    """Where one axis is when its scene is played."""

    tracks: Sequence[TrackPlan]
    linkage: Linkage | None
    column: int
    wish: Sequence[Floats]  # of the linkage's axes, 1 ms grid

    def __call__(self, time_s: Floats) -> Floats:
        """Angles in rad at times (n,)."""
        served = np.stack(
            [evaluate(plan.spec, plan.points, plan.loop, time_s) for plan in self.tracks], axis=1
        )
        if self.linkage is None:
            angle: Floats = served[:, 0]
            return angle
        near = np.stack([wish[np.rint(time_s / GRID_S).astype(np.int64)] for wish in self.wish], axis=1)
        found: Floats = self.linkage.axis_rad(served, near)[:, self.column]
        return found


def with_misses(
    timeline: Timeline, axes: Mapping[str, Axis], plans: Mapping[str, TrackPlan], behind: Iterable[Linkage]
) -> Timeline:
    """The timeline with shortfalls as measured on ``plans`` (by track): landings, accents, imported swings.

    ``behind`` are the linkages whose tracks are in servo space. What a landing was expected to miss (code
    ``sync``) gives way to what it misses.
    """
    by_servo = {plan.spec.servo: plan for plan in plans.values()}
    linkages = {axis: linkage for linkage in behind for axis in linkage.axes}
    told = list(timeline.shortfalls)
    for name, wish in timeline.axes.items():
        if not wish.accents and not wish.sampled:
            continue
        linkage = linkages.get(name)
        if linkage is None:
            tracks = [plan for plan in plans.values() if plan.spec.axis == name]
            played = _Played(tracks, None, 0, ())
        else:
            tracks = [by_servo[servo] for servo in linkage.servos if servo in by_servo]
            wishes = [timeline.axes[axis].wish_rad for axis in linkage.axes]
            played = _Played(tracks, linkage, linkage.axes.index(name), wishes)
        if not tracks:
            continue
        landed = {(accent.line, accent.time_s) for accent in wish.accents if accent.rest}
        told = [
            item
            for item in told
            if not (item.code == "sync" and item.channel == name and (item.line, item.time_s) in landed)
        ]
        told += _accents(axes[name], wish, played, timeline.duration_s)
        for stretch in wish.sampled:
            told += _swings(axes[name], wish, stretch, played)
    return replace(timeline, shortfalls=tuple(sorted(told, key=lambda item: (item.time_s, item.line))))


def _accents(axis: Axis, wish: AxisWish, played: _Played, duration_s: float) -> Iterator[Shortfall]:
    if not wish.accents:
        return
    got_rad = played(np.array([min(accent.time_s, duration_s) for accent in wish.accents]))
    for accent, got in zip(wish.accents, got_rad.tolist(), strict=True):
        if abs(got - accent.value_rad) <= MISSED_RAD:
            if accent.remedy and not accent.rest:
                yield _gave_way(axis, accent, got)
            continue
        message = f"line {accent.line}: {angle_words(axis, got)} at {clock(accent.time_s)} instead of "
        message += angle_words(axis, accent.value_rad)
        late_s = _late_s(accent, played, duration_s)
        if late_s is not None:
            message += f"; it gets there {two(late_s)} s late"
        yield Shortfall(
            "sync", axis.name, accent.time_s, accent.line, deg_from_rad(got), deg_from_rad(accent.value_rad),
            "deg", message, accent.remedy or "give the axis more time there",
        )  # fmt: skip


def _gave_way(axis: Axis, accent: Accent, got: float) -> Shortfall:
    """An accent that was kept at the cost of the moves about it."""
    return Shortfall(
        "sync", axis.name, accent.time_s, accent.line, deg_from_rad(got), deg_from_rad(accent.value_rad),
        "deg",
        f"line {accent.line}: {angle_words(axis, accent.value_rad)} is on time at {clock(accent.time_s)}; "
        f"the moves about it give way",
        accent.remedy, "note",
    )  # fmt: skip


def _late_s(accent: Accent, played: _Played, duration_s: float) -> float | None:
    """How long after an accent that it missed the axis gets there."""
    last_s = min(accent.time_s + LATE_S, duration_s)
    times = np.arange(accent.time_s, last_s, GRID_S)
    there = np.abs(played(times) - accent.value_rad) <= MISSED_RAD if len(times) else np.zeros(0, bool)
    return float(there.argmax()) * GRID_S if there.any() else None


def _swings(axis: Axis, wish: AxisWish, stretch: Sampled, played: _Played) -> Iterator[Shortfall]:
    """The swing of an imported stretch that loses most, and how many others lose."""
    first = max(math.floor(stretch.start_s / GRID_S), 0)
    asked = wish.asked_rad[first : math.ceil(stretch.end_s / GRID_S) + 1]
    steps = np.sign(np.diff(asked))
    moving = np.flatnonzero(steps)
    if len(moving) == 0:
        return
    turned = np.flatnonzero(steps[moving][1:] != steps[moving][:-1])
    # The curve rests or turns from begins[i] to ends[i].
    begins = np.concatenate([[0], moving[turned] + 1, [moving[-1] + 1]])
    ends = np.concatenate([[moving[0]], moving[turned + 1], [len(asked) - 1]])
    got = played((first + np.arange(len(asked), dtype=np.float64)) * GRID_S)
    about = round(_ABOUT_S / GRID_S)
    low = np.array([got[max(b - about, 0) : e + about + 1].min() for b, e in zip(begins, ends, strict=True)])
    high = np.array([got[max(b - about, 0) : e + about + 1].max() for b, e in zip(begins, ends, strict=True)])
    way = np.diff(asked[begins])
    kept = np.where(way > 0, high[1:] - low[:-1], high[:-1] - low[1:])
    lost = np.abs(way) - np.maximum(kept, 0.0)
    short = lost > np.maximum(LOST_RAD, LOST_SHARE * np.abs(way))
    if not short.any():
        return
    worst = int(np.where(short, lost, 0.0).argmax())
    middle = 0.5 * (begins + ends)
    half_s = float(middle[worst + 1] - middle[worst]) * GRID_S
    time_s = (first + int(ends[worst])) * GRID_S
    wanted, reached = deg_from_rad(abs(float(way[worst]))), deg_from_rad(max(float(kept[worst]), 0.0))
    others = int(short.sum()) - 1
    more = f", and so {others} more" if others else ""
    yield Shortfall(
        "rate", axis.name, time_s, stretch.line, reached, wanted, "deg",
        f"line {stretch.line}: {stretch.source} swings {axis.name} by {wanted:.3g} deg in {half_s:.2f} s at "
        f"{clock(time_s)}; it keeps the time and swings {reached:.2g} deg{more}",
        _trade(axis.name, wanted / 2, 2 * half_s, stretch.bounds, played.tracks[0]),
        "note" if reached >= ENOUGH_SHARE * wanted else "warning",
    )  # fmt: skip


def _trade(
    name: str, amplitude_deg: float, period_s: float, bounds: tuple[float, float, float], plan: TrackPlan
) -> str:
    """``turn can shake 0.4 deg every 0.3 s, or 20 every 1.5 s``: what a sine within the limits keeps."""
    amplitude = rad_from_deg(amplitude_deg)
    most = _most(period_s, bounds, plan)
    if most >= amplitude:
        return f"round its corners: a sine of {amplitude_deg:.3g} deg every {period_s:.3g} s fits"
    needs_s = math.ceil(period_s * 10 - 1e-6) / 10
    while _most(needs_s, bounds, plan) < amplitude:
        needs_s = round(max(needs_s + 0.1, math.floor(needs_s * 10.2) / 10), 1)
    degrees = deg_from_rad(most)
    digits = 1 if degrees >= 1 else 2
    down = math.floor(degrees * 10**digits + 1e-9) / 10**digits
    return f"{name} can shake {down:g} deg every {period_s:.3g} s, or {amplitude_deg:.3g} every {needs_s:g} s"


def _most(period_s: float, bounds: tuple[float, float, float], plan: TrackPlan) -> float:
    """The largest amplitude (rad) of a sine within limits that the taps against ringing leave as it is."""
    rate = 2 * math.pi / period_s
    most = min(bound / rate**order for order, bound in enumerate(bounds, start=1))
    taps = plan.shaping.taps if plan.shaping is not None else (1.0,)
    delays = np.arange(len(taps)) * plan.spec.knot_s
    loss = 1.0 - abs(complex(np.exp(-1j * rate * delays) @ np.asarray(taps)))
    return most if loss <= _KEPT * LOST_SHARE else min(most, _KEPT * LOST_RAD / (2.0 * loss))
